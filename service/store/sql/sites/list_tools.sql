-- The tools of a site, each with its first inspection, held until the transaction ends.
SELECT t.tool_id, coalesce(
    (SELECT min(i.taken_at) FROM inspections i WHERE i.tool_id = t.tool_id AND i.state <> 'withdrawn'), now())
FROM tools t
WHERE t.site_id = %(site_id)s
ORDER BY t.tool_id
FOR UPDATE OF t
