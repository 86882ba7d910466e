-- The next version of an inspection: what it says from now on.
WITH inspection AS (
    UPDATE inspections
    SET taken_at = %(taken_at)s, inspection_version = inspection_version + 1, inputs_as_of = %(at)s,
        state = 'accepted', problem = NULL, updated_at = now()
    WHERE inspection_id = %(inspection_id)s
    RETURNING inspection_id, inspection_version, tool_id
), version AS (
    INSERT INTO inspection_versions
        (inspection_id, inspection_version, taken_at, inputs_as_of, cause, remeasures, final, checks, renewals, setups,
         reversals)
    SELECT inspection_id, inspection_version, %(taken_at)s, %(at)s, %(cause)s, %(remeasures_id)s::uuid, %(final)s,
           %(checks)s::jsonb, %(renewals)s::jsonb, %(setups)s::jsonb, %(reversals)s::jsonb
    FROM inspection
), reading AS (
    INSERT INTO readings
        (taken_at, inspection_id, inspection_version, ordinal, tool_id, source, feature_id, position, component_id,
         station, orientation, kind, value, trace, sent, sent_unit, gauge_id, master_id, setup, temperature_c,
         reference_temperature_c)
    SELECT %(taken_at)s, i.inspection_id, i.inspection_version, r.ordinality - 1, i.tool_id, r.q, r.f, r.p, r.c,
           r.s, r.o, coalesce(r.k, 0), r.v, r.t, r.x, r.u, r.g, r.m, r.z, r.a, r.b
    FROM inspection i,
         ROWS FROM (json_to_recordset(%(readings)s::json) AS (
             q integer, f integer, p smallint, c integer, s smallint, o double precision, k smallint,
             v double precision, t double precision[], x double precision, u text, g integer, m integer, z text,
             a double precision, b double precision)
         ) WITH ORDINALITY AS r
)
SELECT inspection_version FROM inspection
