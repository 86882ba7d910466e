-- Which entries of the request the ledger already has, by their place in the request.
SELECT e.ordinal, u.usage_id
FROM jsonb_to_recordset(%(entries)s) AS e(
    ordinal integer, tool_id integer, since timestamptz, until timestamptz, metres double precision,
    hours double precision, amounts jsonb, rate_m_h double precision, pressure_bar double precision)
JOIN usage u ON u.tool_id = e.tool_id AND u.period = tstzrange(e.since, e.until) AND u.inspection_id IS NULL
WHERE (u.metres, u.hours, u.rate_m_h, u.pressure_bar) IS NOT DISTINCT FROM (e.metres, e.hours, e.rate_m_h, e.pressure_bar)
  AND u.amounts = e.amounts
