-- Ledger entries of these tools, in the order of time.
SELECT u.tool_id, lower(u.period), upper(u.period)
FROM usage u
WHERE u.tool_id = ANY(%(tool_ids)s) AND u.inspection_id IS NULL
ORDER BY u.tool_id, u.period
