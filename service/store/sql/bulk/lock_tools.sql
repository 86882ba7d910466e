-- Hold the tools of a file until the transaction ends, in the one order that everyone keeps, and count the change.
WITH held AS (
    SELECT tool_id FROM tools WHERE tool_id = ANY(%(tool_ids)s) ORDER BY tool_id FOR NO KEY UPDATE
), counted AS (
    UPDATE tools t SET time_line = time_line + 1
    FROM held
    WHERE t.tool_id = held.tool_id
    RETURNING t.tool_id, t.tool_type_id
)
SELECT t.tool_id, t.tool_type_id, y.revision
FROM counted t
JOIN tool_types y USING (tool_type_id)
ORDER BY t.tool_id
