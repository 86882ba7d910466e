-- Of two equal files that arrive at once, one is the first.
SELECT pg_advisory_xact_lock(hashtextextended(encode(%(sha256)s::bytea, 'hex') || %(layout)s, 7245303))
