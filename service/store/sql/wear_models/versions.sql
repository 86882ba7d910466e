SELECT tool_type_id, version, recorded_at
FROM wear_models
WHERE tool_type_id = ANY (%(types)s)
ORDER BY tool_type_id, version
