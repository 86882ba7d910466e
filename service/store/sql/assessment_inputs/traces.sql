SELECT (w.n - 1)::integer AS inspection, r.ordinal, r.trace
FROM unnest(%(times)s::timestamptz[], %(inspections)s::uuid[], %(versions)s::integer[])
     WITH ORDINALITY AS w (taken_at, inspection_id, inspection_version, n)
JOIN readings r USING (taken_at, inspection_id, inspection_version)
WHERE r.kind = 2
ORDER BY w.n, r.ordinal
