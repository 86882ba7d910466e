-- The next version of many inspections: what each of them says from now on.
WITH said AS (
    SELECT *
    FROM unnest(%(inspection_ids)s::uuid[], %(times)s::timestamptz[], %(finals)s::boolean[], %(checks)s::jsonb[],
                %(setups)s::jsonb[], %(readings)s::json[])
         AS n (inspection_id, taken_at, final, checks, setups, readings)
), inspection AS (
    UPDATE inspections i
    SET taken_at = n.taken_at, inspection_version = i.inspection_version + 1, inputs_as_of = %(at)s,
        state = 'accepted', problem = NULL, updated_at = now()
    FROM said n
    WHERE i.inspection_id = n.inspection_id
    RETURNING i.inspection_id, i.inspection_version, i.tool_id
), version AS (
    INSERT INTO inspection_versions
        (inspection_id, inspection_version, taken_at, inputs_as_of, cause, final, checks, setups)
    SELECT i.inspection_id, i.inspection_version, n.taken_at, %(at)s, %(cause)s, n.final, n.checks, n.setups
    FROM inspection i
    JOIN said n USING (inspection_id)
)
INSERT INTO readings
    (taken_at, inspection_id, inspection_version, ordinal, tool_id, source, feature_id, position, component_id,
     station, orientation, kind, value, trace, sent, sent_unit, gauge_id, master_id, setup, temperature_c,
     reference_temperature_c)
SELECT n.taken_at, i.inspection_id, i.inspection_version, r.ordinality - 1, i.tool_id, r.q, r.f, r.p, r.c,
       r.s, r.o, coalesce(r.k, 0), r.v, r.t, r.x, r.u, r.g, r.m, r.z, r.a, r.b
FROM inspection i
JOIN said n USING (inspection_id),
     ROWS FROM (json_to_recordset(n.readings) AS (
         q integer, f integer, p smallint, c integer, s smallint, o double precision, k smallint,
         v double precision, t double precision[], x double precision, u text, g integer, m integer, z text,
         a double precision, b double precision)
     ) WITH ORDINALITY AS r
