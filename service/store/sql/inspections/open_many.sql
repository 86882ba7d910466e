-- The same for the tools of a batch, always in the order of tool_id.
SELECT accepting.at, t.tool_id, t.serial
FROM (SELECT pg_advisory_xact_lock_shared(7245302), clock_timestamp() AS at OFFSET 0) accepting
LEFT JOIN (SELECT tool_id, serial FROM tools WHERE serial = ANY(%(tools)s) ORDER BY tool_id FOR NO KEY UPDATE) t
    ON true
