-- What tools ran around their services, in the order of time.
SELECT u.tool_id, lower(u.period) AS since, upper(u.period) AS until, u.metres, u.hours, u.amounts, u.rate_m_h,
       u.pressure_bar
FROM unnest(%(tools)s::integer[], %(since)s::timestamptz[], %(until)s::timestamptz[]) AS w(tool_id, since, until)
JOIN usage u ON u.tool_id = w.tool_id AND u.period && tstzrange(w.since, w.until)
ORDER BY u.tool_id, u.period
