WITH held AS MATERIALIZED (SELECT pg_advisory_xact_lock_shared(7245302))
SELECT clock_timestamp() FROM held
