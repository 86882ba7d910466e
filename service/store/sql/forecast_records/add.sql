INSERT INTO forecast_records (tool_type_id, record, computed_at, wear_model, document)
SELECT %(tool_type_id)s, coalesce(max(record), 0) + 1, now(), %(wear_model)s, %(document)s
FROM forecast_records
WHERE tool_type_id = %(tool_type_id)s
