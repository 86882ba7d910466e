-- A further source of an inspection.
INSERT INTO inspection_sources
    (inspection_id, source, digest, from_version, export_id, taken_at, inspector, thermometer, thermometer_u_c,
     remeasures, final, usage, held_back)
VALUES (%(inspection_id)s, %(source)s, %(digest)s, %(from_version)s, %(export_id)s::uuid, %(taken_at)s, %(inspector)s,
        %(thermometer)s, %(thermometer_u_c)s, %(remeasures)s, %(final)s, %(usage)s::jsonb, %(held_back)s::jsonb)
