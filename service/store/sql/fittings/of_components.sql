-- Where each of these components sat up to a moment, in the order of time.
SELECT f.component_id, f.fitting_id, f.tool_id, t.serial AS tool, f.part, f.position,
       lower(f.period) AS since, upper(f.period) AS until, f.inspection_id
FROM fittings f
JOIN tools t USING (tool_id)
WHERE f.component_id = ANY(%(component_ids)s) AND lower(f.period) <= %(at)s
ORDER BY f.component_id, lower(f.period)
