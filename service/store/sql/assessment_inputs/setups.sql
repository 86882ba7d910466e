SELECT (w.n - 1)::integer AS inspection, (s ->> 'source')::integer AS source, CASE WHEN s ->> 'setup' IS NULL THEN 0 ELSE hashtextextended(s ->> 'setup', 1) END AS setup,
       g.gauge_id, coalesce((s ->> 'readings_at_zero')::integer, 1) AS readings_at_zero,
       (s ->> 'return_reading')::double precision AS return_reading
FROM unnest(%(inspections)b::uuid[], %(versions)b::integer[]) WITH ORDINALITY AS w (inspection_id, version, n)
CROSS JOIN LATERAL (
    SELECT o.setups FROM inspection_versions o WHERE o.inspection_id = w.inspection_id AND o.inspection_version = w.version
    OFFSET 0) v
CROSS JOIN jsonb_array_elements(v.setups) AS s
JOIN gauges g ON g.serial = s ->> 'gauge'
