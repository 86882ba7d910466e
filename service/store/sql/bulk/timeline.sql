-- Every inspection in force of these tools, and whether it carries usage.
SELECT i.tool_id, i.taken_at, i.stage, i.reference, u.usage_id IS NOT NULL
FROM inspections i
LEFT JOIN usage u USING (inspection_id)
WHERE i.tool_id = ANY(%(tool_ids)s) AND i.state <> 'withdrawn'
