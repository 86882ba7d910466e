SELECT l.digest, (SELECT max(m.version) FROM wear_models m WHERE m.tool_type_id = l.tool_type_id)
FROM wear_learning l
WHERE l.tool_type_id = %(tool_type_id)s
