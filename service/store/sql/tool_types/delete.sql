DELETE FROM tool_types WHERE tool_type_id = %(tool_type_id)s
