(SELECT 'tool' AS kind, serial AS key FROM tools WHERE tool_type_id = %(tool_type_id)s ORDER BY serial LIMIT 10)
UNION ALL
(SELECT 'component', serial FROM components WHERE tool_type_id = %(tool_type_id)s ORDER BY serial LIMIT 10)
