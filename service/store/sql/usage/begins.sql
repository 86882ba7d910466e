-- Where the usage of an inspection begins: at the one before it in time, else with the tool, else where the ledger
-- ends before it, else nobody knows.
SELECT coalesce(
    (SELECT i.taken_at
     FROM inspections i
     WHERE i.tool_id = t.tool_id AND i.state <> 'withdrawn' AND i.inspection_id IS DISTINCT FROM %(inspection_id)s::uuid
       AND (i.taken_at, i.stage, i.reference) < (%(taken_at)s, %(stage)s, %(reference)s)
     ORDER BY i.taken_at DESC, i.stage DESC, i.reference DESC
     LIMIT 1),
    t.commissioned_on::timestamp AT TIME ZONE s.time_zone,
    (SELECT max(upper(u.period)) FROM usage u
     WHERE u.tool_id = t.tool_id AND u.inspection_id IS NULL AND upper(u.period) <= %(taken_at)s))
FROM tools t
JOIN sites s USING (site_id)
WHERE t.tool_id = %(tool_id)s
