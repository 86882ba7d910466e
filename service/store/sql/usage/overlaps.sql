-- Which of the new entries overlap what else the tool ran, each pair once.
SELECT a.usage_id, t.serial AS tool, lower(a.period) AS since, upper(a.period) AS until,
       b.usage_id AS other_id, lower(b.period) AS other_since, upper(b.period) AS other_until,
       i.inspection_id, i.reference, i.stage
FROM usage a
JOIN tools t USING (tool_id)
JOIN usage b ON b.tool_id = a.tool_id AND b.period && a.period AND b.usage_id <> a.usage_id
LEFT JOIN inspections i ON i.inspection_id = b.inspection_id
WHERE a.usage_id = ANY(%(usage_ids)s)
  AND NOT (b.usage_id = ANY(%(usage_ids)s) AND b.usage_id < a.usage_id)
ORDER BY t.serial, lower(a.period), lower(b.period)
LIMIT 1000
