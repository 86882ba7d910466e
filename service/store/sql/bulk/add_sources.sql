-- Further sources of many inspections, one each, from the version they are at.
INSERT INTO inspection_sources
    (inspection_id, source, digest, from_version, export_id, taken_at, inspector, thermometer, thermometer_u_c, final,
     usage, held_back)
SELECT n.inspection_id, n.source, n.digest, i.inspection_version, %(export_id)s, n.taken_at, n.inspector, n.thermometer,
       n.thermometer_u_c, n.final, n.usage, n.held_back
FROM unnest(%(inspection_ids)s::uuid[], %(sources)s::integer[], %(digests)s::bytea[], %(times)s::timestamptz[],
            %(inspectors)s::text[], %(thermometers)s::text[], %(thermometer_u_cs)s::double precision[],
            %(finals)s::boolean[], %(usages)s::jsonb[], %(helds)s::jsonb[])
     AS n (inspection_id, source, digest, taken_at, inspector, thermometer, thermometer_u_c, final, usage, held_back)
JOIN inspections i USING (inspection_id)
