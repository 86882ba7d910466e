-- The tools of a site, each with its first inspection, held until the transaction ends and their change counted.
WITH held AS (
    SELECT tool_id FROM tools WHERE site_id = %(site_id)s ORDER BY tool_id FOR UPDATE
), counted AS (
    UPDATE tools t SET time_line = time_line + 1 FROM held WHERE t.tool_id = held.tool_id RETURNING t.tool_id
)
SELECT t.tool_id, coalesce(
    (SELECT min(i.taken_at) FROM inspections i WHERE i.tool_id = t.tool_id AND i.state <> 'withdrawn'), now())
FROM counted t
ORDER BY t.tool_id
