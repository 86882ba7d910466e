-- Hold the tools of a file until the transaction ends, in the one order that everyone keeps.
SELECT t.tool_id, t.tool_type_id, y.revision
FROM tools t
JOIN tool_types y USING (tool_type_id)
WHERE t.tool_id = ANY(%(tool_ids)s)
ORDER BY t.tool_id
FOR NO KEY UPDATE OF t
