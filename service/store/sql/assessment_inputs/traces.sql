-- Each looked up by its key, as in readings.sql.
SELECT (w.n - 1)::integer AS inspection, r.ordinal, r.trace
FROM unnest(%(times)b::timestamptz[], %(inspections)b::uuid[], %(versions)b::integer[])
     WITH ORDINALITY AS w (taken_at, inspection_id, inspection_version, n)
CROSS JOIN LATERAL (
    SELECT * FROM readings o
    WHERE o.taken_at = w.taken_at AND o.inspection_id = w.inspection_id AND o.inspection_version = w.inspection_version
    OFFSET 0) r
WHERE r.kind = 2
ORDER BY w.n, r.ordinal
