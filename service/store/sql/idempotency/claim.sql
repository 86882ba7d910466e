-- At once, not after a wait: whoever holds the lock is still at the work.
SELECT pg_try_advisory_xact_lock(hashtextextended(concat_ws(' ', %(token_id)s::integer, %(route)s::text, %(key)s::text), 7245303))
