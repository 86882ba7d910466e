-- The readings of one version, names in place of ids, in the order they were sent.
SELECT r.source, c.code AS feature, m.serial AS component, r.position, r.station, r.orientation, r.kind, r.value,
       r.trace, r.sent, r.sent_unit, g.serial AS gauge, n.serial AS master, r.setup, r.temperature_c,
       r.reference_temperature_c
FROM readings r
JOIN codes c ON c.code_id = r.feature_id
LEFT JOIN components m USING (component_id)
LEFT JOIN gauges g USING (gauge_id)
LEFT JOIN masters n USING (master_id)
WHERE r.taken_at = %(taken_at)s AND r.inspection_id = %(inspection_id)s
  AND r.inspection_version = %(inspection_version)s
ORDER BY r.ordinal
