-- Holds the tool until the transaction ends, and fixes the moment up to which reference data counts: a writer of
-- reference data takes the same lock alone, so nothing of it can land before that moment any more.
SELECT accepting.at, t.tool_id, t.site_id
FROM (SELECT pg_advisory_xact_lock_shared(7245302), clock_timestamp() AS at OFFSET 0) accepting
LEFT JOIN (SELECT tool_id, site_id FROM tools WHERE serial = %(tool)s FOR NO KEY UPDATE) t ON true
