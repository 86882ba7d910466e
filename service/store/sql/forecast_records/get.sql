-- One record of a type's past forecasts: a given one, else the newest.
SELECT t.code, r.record, r.computed_at, r.wear_model, r.document
FROM tool_types t
JOIN forecast_records r USING (tool_type_id)
WHERE t.code = %(code)s AND (%(record)s::integer IS NULL OR r.record = %(record)s)
ORDER BY r.record DESC
LIMIT 1
