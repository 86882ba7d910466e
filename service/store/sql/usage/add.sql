-- The entries of one request. Overlaps are found by overlaps.sql afterwards, once the intervals of inspections
-- have been derived anew; the constraint is checked at the end.
INSERT INTO usage (tool_id, period, metres, hours, amounts, rate_m_h, pressure_bar)
SELECT e.tool_id, tstzrange(e.since, e.until), e.metres, e.hours, e.amounts, e.rate_m_h, e.pressure_bar
FROM jsonb_to_recordset(%(entries)s) AS e(
    ordinal integer, tool_id integer, since timestamptz, until timestamptz, metres double precision,
    hours double precision, amounts jsonb, rate_m_h double precision, pressure_bar double precision)
ORDER BY e.ordinal
RETURNING usage_id, tool_id, lower(period) AS since
