-- Holds the tool until the transaction ends, counting a change of its time line, and fixes the moment up to which
-- reference data counts: a writer of reference data takes the same lock alone, so none of it can land before that moment.
WITH held AS (
    UPDATE tools SET time_line = time_line + 1 WHERE serial = %(tool)s RETURNING tool_id, site_id
)
SELECT accepting.at, h.tool_id, h.site_id
FROM (SELECT pg_advisory_xact_lock_shared(7245302), clock_timestamp() AS at OFFSET 0) accepting
LEFT JOIN held h ON true
