-- Whoever changes what a tool's time line rests on holds these rows first, always in the order of tool_id, and counts it.
WITH held AS (
    SELECT tool_id FROM tools WHERE serial = ANY(%(serials)s) ORDER BY tool_id FOR UPDATE
), counted AS (
    UPDATE tools t SET time_line = time_line + 1
    FROM held
    WHERE t.tool_id = held.tool_id
    RETURNING t.tool_id, t.serial, t.site_id, t.tool_type_id
)
SELECT tool_id, serial, site_id, tool_type_id
FROM counted
ORDER BY tool_id
