-- Tools whose status rests on an older version, and from when each is to be computed again: its newest inspection.
SELECT s.tool_id, coalesce(
    (SELECT max(i.taken_at) FROM inspections i WHERE i.tool_id = s.tool_id AND i.state <> 'withdrawn'), now())
FROM (SELECT tool_type_id, max(version) AS version FROM wear_models GROUP BY tool_type_id) n
JOIN tools t USING (tool_type_id)
JOIN tool_status s USING (tool_id)
WHERE s.wear_model IS DISTINCT FROM n.version
  AND NOT EXISTS (SELECT 1 FROM tool_work w WHERE w.tool_id = s.tool_id)
ORDER BY s.tool_id
LIMIT %(limit)s
