-- Each looked up by its key, as in readings.sql.
SELECT (w.n - 1)::integer AS inspection, c.fit_id, coalesce(c.position, -1)::smallint AS position,
       coalesce(c.mean, 'NaN') AS mean, coalesce(c.mean_u, 'NaN') AS mean_u,
       coalesce(c.clearance_for_leakage, 'NaN') AS for_leakage, coalesce(c.worst, 'NaN') AS worst,
       CASE c.verdict WHEN 'serviceable' THEN 0 WHEN 'monitor' THEN 1 WHEN 'remeasure' THEN 2 ELSE 3 END::smallint AS verdict
FROM unnest(%(times)b::timestamptz[], %(inspections)b::uuid[], %(versions)b::integer[])
     WITH ORDINALITY AS w (taken_at, inspection_id, version, n)
CROSS JOIN LATERAL (
    SELECT * FROM clearances o
    WHERE o.taken_at = w.taken_at AND o.inspection_id = w.inspection_id AND o.version = w.version
    OFFSET 0) c
ORDER BY w.n, c.ordinal
