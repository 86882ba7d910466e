-- Everything an inspection names or stands next to, in one row. Times stand in order by (taken_at, stage, reference).
SELECT coalesce(pg_sequence_last_value('reference_writes'), 0), t.tool_id, t.site_id, t.tool_type_id, y.revision,
       ARRAY(SELECT g.gauge_id FROM unnest(%(gauges)s::text[]) WITH ORDINALITY AS n(serial, ordinal)
             LEFT JOIN gauges g USING (serial) ORDER BY n.ordinal),
       ARRAY(SELECT m.master_id FROM unnest(%(masters)s::text[]) WITH ORDINALITY AS n(serial, ordinal)
             LEFT JOIN masters m USING (serial) ORDER BY n.ordinal),
       same.inspection_id, same.inspection_version, same.taken_at, same.state,
       ARRAY(SELECT s.digest FROM inspection_sources s
             WHERE s.inspection_id = same.inspection_id AND s.until_version IS NULL),
       begins.at,
       EXISTS (SELECT FROM usage u WHERE u.tool_id = t.tool_id AND u.inspection_id IS NULL
               AND u.period && CASE WHEN begins.at >= %(taken_at)s THEN 'empty'
                                    ELSE tstzrange(begins.at, %(taken_at)s) END),
       next.inspection_id IS NOT NULL,
       EXISTS (SELECT FROM fittings f WHERE f.tool_id = t.tool_id AND f.component_id IS NOT NULL
               AND f.period && tstzrange(%(taken_at)s, NULL) AND NOT upper_inf(f.period))
FROM (SELECT) AS always
LEFT JOIN (tools t JOIN sites s USING (site_id) JOIN tool_types y USING (tool_type_id)) ON t.serial = %(tool)s
LEFT JOIN LATERAL (
    SELECT i.inspection_id, i.inspection_version, i.taken_at, i.state
    FROM inspections i
    WHERE i.tool_id = t.tool_id AND i.reference = %(reference)s AND i.stage = %(stage)s AND i.state <> 'withdrawn'
) same ON true
LEFT JOIN LATERAL (
    SELECT i.taken_at
    FROM inspections i
    WHERE i.tool_id = t.tool_id AND i.state <> 'withdrawn' AND i.inspection_id IS DISTINCT FROM same.inspection_id
      AND (i.taken_at, i.stage, i.reference) < (%(taken_at)s, %(stage)s, %(reference)s)
    ORDER BY i.taken_at DESC, i.stage DESC, i.reference DESC
    LIMIT 1
) previous ON true
LEFT JOIN LATERAL (
    SELECT i.inspection_id
    FROM inspections i
    WHERE i.tool_id = t.tool_id AND i.state <> 'withdrawn' AND i.inspection_id IS DISTINCT FROM same.inspection_id
      AND (i.taken_at, i.stage, i.reference) > (%(taken_at)s, %(stage)s, %(reference)s)
    ORDER BY i.taken_at, i.stage, i.reference
    LIMIT 1
) next ON true
LEFT JOIN LATERAL (
    SELECT coalesce(previous.taken_at, t.commissioned_on::timestamp AT TIME ZONE s.time_zone,
                    (SELECT max(upper(u.period)) FROM usage u
                     WHERE u.tool_id = t.tool_id AND u.inspection_id IS NULL AND upper(u.period) <= %(taken_at)s)) AS at
) begins ON true
