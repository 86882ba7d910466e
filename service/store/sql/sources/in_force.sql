-- The sources an inspection rests on; those of one version where it is named, else the present ones.
SELECT s.source, s.digest, s.from_version, s.until_version, s.export_id, s.taken_at, s.inspector, s.thermometer,
       s.thermometer_u_c, s.remeasures, coalesce(s.final, false) AS final, s.usage, s.held_back
FROM inspection_sources s
WHERE s.inspection_id = %(inspection_id)s
  AND CASE WHEN %(inspection_version)s::integer IS NULL THEN s.until_version IS NULL
           ELSE s.from_version <= %(inspection_version)s
                AND (s.until_version IS NULL OR s.until_version > %(inspection_version)s) END
ORDER BY s.source
