-- The readings of one version as they are stored, for the next version to take over.
SELECT r.source, r.feature_id, r.position, r.component_id, r.station, r.orientation, r.kind, r.value, r.trace, r.sent,
       r.sent_unit, r.gauge_id, r.master_id, r.setup, r.temperature_c, r.reference_temperature_c
FROM readings r
WHERE r.taken_at = %(taken_at)s AND r.inspection_id = %(inspection_id)s
  AND r.inspection_version = %(inspection_version)s
ORDER BY r.ordinal
