-- The tools of a type, and from when each is to be computed again: its newest inspection, or now where there is none.
SELECT t.tool_id, coalesce(
    (SELECT max(i.taken_at) FROM inspections i WHERE i.tool_id = t.tool_id AND i.state <> 'withdrawn'), now())
FROM tools t
WHERE t.tool_type_id = %(tool_type_id)s
