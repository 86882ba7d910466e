-- A new inspection with everything it says, and the tool's work, in one statement; nothing where the tool's time line
-- has changed since it was looked at, or reference data is being written at this moment.
WITH held AS (
    UPDATE tools SET time_line = time_line + 1
    WHERE tool_id = %(tool_id)s AND time_line = %(time_line)s
    RETURNING tool_id
), accepting AS MATERIALIZED (
    SELECT pg_try_advisory_xact_lock_shared(7245302) AS open, clock_timestamp() AS at
), inspection AS (
    INSERT INTO inspections (tool_id, reference, stage, taken_at, inputs_as_of)
    SELECT h.tool_id, %(reference)s, %(stage)s, %(taken_at)s, a.at
    FROM held h, accepting a
    WHERE a.open
    RETURNING inspection_id, tool_id, inputs_as_of
), version AS (
    INSERT INTO inspection_versions
        (inspection_id, inspection_version, taken_at, inputs_as_of, cause, remeasures, final, checks, renewals, setups)
    SELECT inspection_id, 1, %(taken_at)s, inputs_as_of, 'posted', %(remeasures_id)s::uuid, %(final)s,
           %(checks)s::jsonb, %(renewals)s::jsonb, %(setups)s::jsonb
    FROM inspection
), source AS (
    INSERT INTO inspection_sources
        (inspection_id, source, digest, from_version, export_id, taken_at, inspector, thermometer, thermometer_u_c,
         remeasures, final, usage)
    SELECT inspection_id, 1, %(digest)s, 1, %(export_id)s::uuid, %(taken_at)s, %(inspector)s, %(thermometer)s,
           %(thermometer_u_c)s, %(remeasures)s, %(final)s, %(usage)s::jsonb
    FROM inspection
), reading AS (
    INSERT INTO readings
        (taken_at, inspection_id, inspection_version, ordinal, tool_id, source, feature_id, position, component_id,
         station, orientation, kind, value, trace, sent, sent_unit, gauge_id, master_id, setup, temperature_c,
         reference_temperature_c)
    SELECT %(taken_at)s, i.inspection_id, 1, r.ordinal - 1, i.tool_id, 1, r.f, r.p, r.c,
           r.s, r.o, r.k, r.v, r.t, r.x, r.u, r.g, r.m, r.z, r.a, r.b
    FROM inspection i,
         ROWS FROM (jsonb_to_recordset(%(readings)s::jsonb) AS (
             f integer, p smallint, c integer, s smallint, o double precision, k smallint, v double precision,
             t double precision[], x double precision, u text, g integer, m integer, z text, a double precision,
             b double precision)) WITH ORDINALITY AS r(f, p, c, s, o, k, v, t, x, u, g, m, z, a, b, ordinal)
), run AS (
    INSERT INTO usage (tool_id, period, metres, hours, amounts, inspection_id)
    SELECT tool_id, tstzrange(%(since)s, %(taken_at)s), %(metres)s, %(hours)s, %(usage)s::jsonb, inspection_id
    FROM inspection
    WHERE %(usage)s::jsonb IS NOT NULL
), work AS (
    INSERT INTO tool_work AS w (tool_id, dirty_from)
    SELECT tool_id, %(taken_at)s FROM inspection
    ON CONFLICT (tool_id) DO UPDATE
    SET dirty_from = least(w.dirty_from, excluded.dirty_from), run_at = least(w.run_at, now())
)
SELECT inspection_id FROM inspection
