-- The same for the tools of a batch, always in the order of tool_id.
WITH held AS (
    SELECT tool_id FROM tools WHERE serial = ANY(%(tools)s) ORDER BY tool_id FOR NO KEY UPDATE
), counted AS (
    UPDATE tools t SET time_line = time_line + 1 FROM held WHERE t.tool_id = held.tool_id
)
SELECT pg_advisory_xact_lock_shared(7245302)
