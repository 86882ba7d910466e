-- The present sources of many inspections, each inspection's in the order they came.
SELECT s.inspection_id, s.source, s.digest, s.from_version, s.until_version, s.export_id, s.taken_at, s.inspector,
       s.thermometer, s.thermometer_u_c, s.remeasures, coalesce(s.final, false) AS final, s.usage, s.held_back
FROM inspection_sources s
WHERE s.inspection_id = ANY(%(inspection_ids)s) AND s.until_version IS NULL
ORDER BY s.inspection_id, s.source
