-- The readings of many inspections as they are stored, each inspection's in their order.
SELECT r.inspection_id, r.source, r.feature_id, r.position, r.component_id, r.station, r.orientation, r.kind, r.value,
       r.trace, r.sent, r.sent_unit, r.gauge_id, r.master_id, r.setup, r.temperature_c, r.reference_temperature_c
FROM unnest(%(times)s::timestamptz[], %(inspection_ids)s::uuid[], %(versions)s::integer[])
     AS w (taken_at, inspection_id, inspection_version)
JOIN readings r USING (taken_at, inspection_id, inspection_version)
ORDER BY r.taken_at, r.inspection_id, r.ordinal
