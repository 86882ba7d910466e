SELECT tool_id, lower(period) AS since, upper(period) AS until, metres, hours, amounts
FROM usage
WHERE tool_id = ANY (%(tools)s)
ORDER BY tool_id, period
