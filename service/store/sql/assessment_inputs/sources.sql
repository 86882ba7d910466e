-- Who measured, and by which thermometer: it stays with the readings of each source.
SELECT (w.n - 1)::integer AS inspection, s.source, s.inspector, s.thermometer, s.thermometer_u_c
FROM unnest(%(inspections)b::uuid[], %(versions)b::integer[]) WITH ORDINALITY AS w (inspection_id, version, n)
CROSS JOIN LATERAL (SELECT * FROM inspection_sources o WHERE o.inspection_id = w.inspection_id OFFSET 0) s
WHERE s.from_version <= w.version AND (s.until_version IS NULL OR s.until_version > w.version)
ORDER BY w.n, s.source
