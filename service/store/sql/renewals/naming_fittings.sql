-- Later fittings of a component: renewals of other inspections, and fittings posted by themselves.
SELECT f.fitting_id, t.serial AS tool, f.part, f.position, lower(f.period) AS since, f.inspection_id, i.reference,
       i.stage
FROM fittings f
JOIN tools t USING (tool_id)
LEFT JOIN inspections i USING (inspection_id)
WHERE f.component_id = %(component_id)s AND lower(f.period) >= %(since)s
  AND f.inspection_id IS DISTINCT FROM %(inspection_id)s
ORDER BY lower(f.period)
LIMIT 100
