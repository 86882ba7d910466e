-- What has been measured: of each inspection that stands, by its newest assessment.
-- Each looked up by its key, as in readings.sql.
SELECT (w.n - 1)::integer AS inspection, s.feature_id, coalesce(s.component_id, -1) AS component_id,
       coalesce(s.position, -1)::smallint AS position, coalesce(s.worst, 'NaN') AS worst, coalesce(s.mean, 'NaN') AS mean,
       coalesce(s.worst_u, 'NaN') AS worst_u, coalesce(s.mean_u, 'NaN') AS mean_u, s.blocked, s.readings,
       CASE s.verdict WHEN 'serviceable' THEN 0 WHEN 'monitor' THEN 1 WHEN 'remeasure' THEN 2 ELSE 3 END::smallint AS verdict
FROM unnest(%(times)b::timestamptz[], %(inspections)b::uuid[], %(versions)b::integer[])
     WITH ORDINALITY AS w (taken_at, inspection_id, version, n)
CROSS JOIN LATERAL (
    SELECT * FROM sizes o
    WHERE o.taken_at = w.taken_at AND o.inspection_id = w.inspection_id AND o.version = w.version
    OFFSET 0) s
ORDER BY w.n, s.ordinal
