SELECT t.code, r.record, r.computed_at, r.wear_model, (r.document ->> 'tools')::integer AS tools,
       (r.document ->> 'forecasts')::integer AS forecasts
FROM tool_types t
JOIN forecast_records r USING (tool_type_id)
WHERE t.code = %(code)s AND r.record > %(after)s
ORDER BY r.record
LIMIT %(limit)s
