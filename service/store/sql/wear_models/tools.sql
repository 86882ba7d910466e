SELECT tool_id FROM tools WHERE tool_type_id = %(tool_type_id)s ORDER BY tool_id
