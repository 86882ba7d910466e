-- A page of a tool's fittings in the order of time.
SELECT f.fitting_id, f.tool_id, t.serial AS tool, t.site_id, f.part, f.position, f.component_id, c.serial AS component,
       lower(f.period) AS since, upper(f.period) AS until, f.inspection_id, i.reference, i.stage
FROM fittings f
JOIN tools t USING (tool_id)
LEFT JOIN components c USING (component_id)
LEFT JOIN inspections i ON i.inspection_id = f.inspection_id
WHERE f.tool_id = %(tool_id)s
  AND (%(after_since)s::timestamptz IS NULL
       OR (lower(f.period), f.fitting_id) > (%(after_since)s::timestamptz, %(after_id)s::uuid))
ORDER BY lower(f.period), f.fitting_id
LIMIT %(limit)s
