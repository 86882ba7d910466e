-- How many inspections each claimed tool has to compute.
SELECT t.tool_id, count(i.inspection_id)
FROM unnest(%(tools)s::integer[], %(since)s::timestamptz[]) AS t (tool_id, since)
LEFT JOIN inspections i ON i.tool_id = t.tool_id AND i.taken_at >= t.since AND i.state NOT IN ('withdrawn', 'failed')
GROUP BY t.tool_id
