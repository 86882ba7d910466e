-- What holds the position, or the component, in any part of the period.
SELECT f.fitting_id, f.tool_id, t.serial AS tool, t.site_id, f.part, f.position, f.component_id, c.serial AS component,
       lower(f.period) AS since, upper(f.period) AS until, f.inspection_id, i.reference, i.stage
FROM fittings f
JOIN tools t USING (tool_id)
LEFT JOIN components c USING (component_id)
LEFT JOIN inspections i ON i.inspection_id = f.inspection_id
WHERE f.period && tstzrange(%(since)s, %(until)s)
  AND f.fitting_id IS DISTINCT FROM %(except_id)s::uuid
  AND (f.component_id = %(component_id)s
       OR (f.tool_id = %(tool_id)s AND f.part = %(part)s AND f.position = %(position)s))
ORDER BY lower(f.period)
