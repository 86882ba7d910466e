SELECT tool_id, lower(period) AS since, upper(period) AS until, metres, hours, amounts,
       rate_m_h, pressure_bar
FROM usage
WHERE tool_id = ANY (%(tools)s)
ORDER BY tool_id, period
