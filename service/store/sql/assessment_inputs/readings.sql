-- The readings of some inspections, by the row number of each in the list asked for. OFFSET 0 has each looked up by its
-- key: joined freely, a table of a million rows is read to the end for a thousand inspections.
SELECT (w.n - 1)::integer AS inspection, r.source, r.feature_id, coalesce(r.position, -1)::smallint AS position,
       coalesce(r.component_id, -1) AS component_id, coalesce(r.station, 0)::smallint AS station,
       coalesce(r.orientation, 'NaN') AS orientation, r.kind, coalesce(r.value, 'NaN') AS value,
       coalesce(r.gauge_id, -1) AS gauge_id, coalesce(r.master_id, -1) AS master_id,
       CASE WHEN r.setup IS NULL THEN 0 ELSE hashtextextended(r.setup, 1) END AS setup,
       coalesce(r.temperature_c, 'NaN') AS temperature_c,
       coalesce(r.reference_temperature_c, 'NaN') AS reference_temperature_c, r.ordinal
FROM unnest(%(times)b::timestamptz[], %(inspections)b::uuid[], %(versions)b::integer[])
     WITH ORDINALITY AS w (taken_at, inspection_id, inspection_version, n)
CROSS JOIN LATERAL (
    SELECT * FROM readings o
    WHERE o.taken_at = w.taken_at AND o.inspection_id = w.inspection_id AND o.inspection_version = w.inspection_version
    OFFSET 0) r
ORDER BY w.n, r.ordinal
