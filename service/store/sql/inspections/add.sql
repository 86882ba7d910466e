-- A new inspection with everything it says, in one statement. With `alone` the tool's work is in it, too, and the tool
-- is not held and was not looked at: nothing is stored unless it is as the caller remembers it, the inspection is the
-- newest and moves nothing else, nobody changes the tool's time line meanwhile, and no reference data was written since.
WITH clock AS (
    SELECT pg_try_advisory_xact_lock_shared(7245302) AS open,
           coalesce(pg_sequence_last_value('reference_writes'), 0) AS written, clock_timestamp() AS at
), seen AS MATERIALIZED (
    SELECT t.tool_id, t.time_line, begins.at AS since
    FROM tools t
    JOIN sites s USING (site_id)
    LEFT JOIN LATERAL (
        SELECT coalesce(
            (SELECT i.taken_at
             FROM inspections i
             WHERE i.tool_id = %(tool_id)s AND i.state <> 'withdrawn'
               AND (i.taken_at, i.stage, i.reference) < (%(taken_at)s, %(stage)s, %(reference)s)
             ORDER BY i.taken_at DESC, i.stage DESC, i.reference DESC
             LIMIT 1),
            t.commissioned_on::timestamp AT TIME ZONE s.time_zone,
            (SELECT max(upper(u.period)) FROM usage u
             WHERE u.tool_id = %(tool_id)s AND u.inspection_id IS NULL AND upper(u.period) <= %(taken_at)s)) AS at
        WHERE %(usage)s::jsonb IS NOT NULL
        OFFSET 0
    ) begins ON true
    WHERE t.tool_id = %(tool_id)s
      AND (NOT %(alone)s OR (
          t.site_id = %(site_id)s AND t.tool_type_id = %(tool_type_id)s
          AND (begins.at IS NULL OR begins.at < %(taken_at)s)
          AND NOT EXISTS (SELECT FROM inspections i
                          WHERE i.tool_id = %(tool_id)s AND i.reference = %(reference)s AND i.stage = %(stage)s
                            AND i.state <> 'withdrawn')
          AND NOT EXISTS (SELECT FROM inspections i
                          WHERE i.tool_id = %(tool_id)s AND i.state <> 'withdrawn'
                            AND (i.taken_at, i.stage, i.reference) > (%(taken_at)s, %(stage)s, %(reference)s))
          AND NOT EXISTS (SELECT FROM fittings f
                          WHERE f.tool_id = %(tool_id)s AND f.period && tstzrange(%(taken_at)s, NULL)
                            AND f.component_id IS NOT NULL AND NOT upper_inf(f.period))))
), held AS (
    -- Of two at once the second waits here, finds another count than it saw, and stores nothing.
    UPDATE tools t SET time_line = t.time_line + 1
    FROM seen
    WHERE t.tool_id = seen.tool_id AND t.time_line = seen.time_line
    RETURNING t.tool_id, seen.since
), inspection AS (
    INSERT INTO inspections (tool_id, reference, stage, taken_at, inputs_as_of)
    SELECT h.tool_id, %(reference)s, %(stage)s, %(taken_at)s, c.at
    FROM held h, clock c
    WHERE c.open AND (NOT %(alone)s OR c.written = %(written)s)
    RETURNING inspection_id, tool_id, inputs_as_of
), version AS (
    INSERT INTO inspection_versions
        (inspection_id, inspection_version, taken_at, inputs_as_of, cause, remeasures, final, checks, renewals, setups,
         reversals)
    SELECT inspection_id, 1, %(taken_at)s, inputs_as_of, 'posted', %(remeasures_id)s::uuid, %(final)s,
           %(checks)s::jsonb, %(renewals)s::jsonb, %(setups)s::jsonb, %(reversals)s::jsonb
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
    SELECT %(taken_at)s, i.inspection_id, 1, r.ordinality - 1, i.tool_id, 1, r.f, r.p, r.c,
           r.s, r.o, coalesce(r.k, 0), r.v, r.t, r.x, r.u, r.g, r.m, r.z, r.a, r.b
    FROM inspection i,
         ROWS FROM (json_to_recordset(%(readings)s::json) AS (
             f integer, p smallint, c integer, s smallint, o double precision, k smallint, v double precision,
             t double precision[], x double precision, u text, g integer, m integer, z text, a double precision,
             b double precision)) WITH ORDINALITY AS r
), run AS (
    INSERT INTO usage (tool_id, period, metres, hours, amounts, inspection_id)
    SELECT h.tool_id, tstzrange(h.since, %(taken_at)s), %(metres)s, %(hours)s, %(usage)s::jsonb, i.inspection_id
    FROM inspection i, held h
    WHERE %(usage)s::jsonb IS NOT NULL
), work AS (
    INSERT INTO tool_work AS w (tool_id, dirty_from)
    SELECT tool_id, %(taken_at)s FROM inspection WHERE %(alone)s
    ON CONFLICT (tool_id) DO UPDATE
    SET dirty_from = least(w.dirty_from, excluded.dirty_from), run_at = least(w.run_at, now())
    WHERE w.dirty_from IS NULL OR w.dirty_from > excluded.dirty_from OR w.run_at > now()
)
SELECT inspection_id FROM inspection
