-- The intervals of the usage that inspections carry, derived anew from the order in time of their tools' inspections,
-- from the given moments on. Returned are those left without time: their rows stay as they are, the caller refuses.
WITH changed AS (
    SELECT c.tool_id, min(c.since) AS since
    FROM unnest(%(tool_ids)s::integer[], %(from_times)s::timestamptz[]) AS c(tool_id, since)
    GROUP BY c.tool_id
), ordered AS (
    SELECT i.inspection_id, i.tool_id, i.taken_at, c.since AS changed_since,
           lag(i.taken_at) OVER (PARTITION BY i.tool_id ORDER BY i.taken_at, i.stage, i.reference) AS previous_at
    FROM changed c
    JOIN inspections i USING (tool_id)
    WHERE i.state <> 'withdrawn'
      AND i.taken_at >= coalesce((SELECT max(p.taken_at) FROM inspections p
                                  WHERE p.tool_id = c.tool_id AND p.state <> 'withdrawn' AND p.taken_at < c.since),
                                 '-infinity')
), intended AS (
    SELECT u.usage_id, o.inspection_id, o.tool_id, o.taken_at,
           coalesce(o.previous_at, t.commissioned_on::timestamp AT TIME ZONE s.time_zone,
                    (SELECT max(upper(l.period)) FROM usage l
                     WHERE l.tool_id = o.tool_id AND l.inspection_id IS NULL AND upper(l.period) <= o.taken_at)
           ) AS since
    FROM ordered o
    JOIN usage u USING (inspection_id)
    JOIN tools t ON t.tool_id = o.tool_id
    JOIN sites s USING (site_id)
    WHERE o.taken_at >= o.changed_since
), moved AS (
    UPDATE usage u
    SET period = tstzrange(n.since, n.taken_at)
    FROM intended n
    WHERE u.usage_id = n.usage_id
      AND CASE WHEN n.since >= n.taken_at THEN false ELSE u.period <> tstzrange(n.since, n.taken_at) END
)
SELECT i.inspection_id, t.serial AS tool, i.reference, i.stage, i.taken_at, n.since
FROM intended n
JOIN inspections i USING (inspection_id)
JOIN tools t ON t.tool_id = n.tool_id
WHERE n.since >= n.taken_at
ORDER BY t.serial, i.taken_at, i.stage, i.reference
