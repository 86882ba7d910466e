-- Mean sizes of fitted parts as found, as left until a time, and at the next strip-down, by the newest assessments, in the
-- order of time; mm, and usage in 1000 of the life basis weighted by ground, where it is counted from new.
SELECT w.service, CASE WHEN i.inspection_id = w.inspection_id THEN 'found' WHEN i.inspection_id = w.next_id THEN 'next'
                  ELSE 'left' END AS moment,
       i.taken_at, f.code AS feature, z.position, z.mean, z.mean_u,
       CASE WHEN t.history = 'new' THEN z.usage END AS usage, z.mean_rate AS rate
FROM unnest(%(tools)s::integer[], %(inspections)s::uuid[], %(since)s::timestamptz[], %(until)s::timestamptz[],
            %(next)s::uuid[])
     WITH ORDINALITY AS w(tool_id, inspection_id, since, until, next_id, service)
JOIN tools t ON t.tool_id = w.tool_id
JOIN inspections i ON i.tool_id = w.tool_id AND i.state = 'assessed'
     AND (i.inspection_id IN (w.inspection_id, w.next_id)
          OR i.stage = 'as_left' AND i.taken_at >= w.since AND i.taken_at < w.until)
JOIN sizes z ON z.taken_at = i.taken_at AND z.inspection_id = i.inspection_id AND z.version = i.assessment_version
JOIN codes f ON f.code_id = z.feature_id
WHERE z.position IS NOT NULL AND NOT z.blocked AND z.mean IS NOT NULL AND f.code = ANY (%(features)s)
ORDER BY w.service, i.taken_at, i.stage
