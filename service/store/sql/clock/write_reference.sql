-- The lock keeps its number in step with accept.sql; the clock is read, and the write counted, after it is held.
WITH held AS MATERIALIZED (SELECT pg_advisory_xact_lock(7245302))
SELECT clock_timestamp(), nextval('reference_writes') FROM held
