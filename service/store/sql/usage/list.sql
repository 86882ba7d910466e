-- A page of usage in the order it was recorded.
SELECT u.usage_id, u.tool_id, t.serial AS tool, t.site_id, lower(u.period) AS since, upper(u.period) AS until,
       u.metres, u.hours, u.amounts, u.rate_m_h, u.pressure_bar, u.inspection_id, i.reference, i.stage, u.recorded_at
FROM usage u
JOIN tools t ON t.tool_id = u.tool_id
JOIN sites s USING (site_id)
JOIN tool_types y USING (tool_type_id)
LEFT JOIN inspections i USING (inspection_id)
WHERE (%(after)s::uuid IS NULL OR u.usage_id > %(after)s)
  AND (%(tool)s::text IS NULL OR t.serial = %(tool)s)
  AND (%(site)s::text IS NULL OR s.code = %(site)s)
  AND (%(tool_type)s::text IS NULL OR y.code = %(tool_type)s)
  AND (%(since)s::timestamptz IS NULL OR NOT u.period << tstzrange(%(since)s, NULL))
  AND (%(until)s::timestamptz IS NULL OR NOT u.period >> tstzrange(NULL, %(until)s))
  AND (%(site_id)s::integer IS NULL OR t.site_id = %(site_id)s)
ORDER BY u.usage_id
LIMIT %(limit)s
