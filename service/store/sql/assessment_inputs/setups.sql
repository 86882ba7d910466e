SELECT (w.n - 1)::integer AS inspection, (s ->> 'source')::integer AS source, CASE WHEN s ->> 'setup' IS NULL THEN 0 ELSE hashtextextended(s ->> 'setup', 1) END AS setup,
       g.gauge_id, coalesce((s ->> 'readings_at_zero')::integer, 1) AS readings_at_zero,
       (s ->> 'return_reading')::double precision AS return_reading
FROM unnest(%(inspections)s::uuid[], %(versions)s::integer[]) WITH ORDINALITY AS w (inspection_id, version, n)
JOIN inspection_versions v ON v.inspection_id = w.inspection_id AND v.inspection_version = w.version
CROSS JOIN jsonb_array_elements(v.setups) AS s
JOIN gauges g ON g.serial = s ->> 'gauge'
