-- Held until the commit, so that the order of `seq` is the order of commits.
SELECT pg_advisory_xact_lock(7245303)
