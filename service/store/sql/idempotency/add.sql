-- An old one that was not yet pruned is written over.
INSERT INTO idempotency_keys (token_id, route, key, digest, status, location, body)
VALUES (%(token_id)s, %(route)s, %(key)s, %(digest)s, %(status)s, %(location)s, %(body)s)
ON CONFLICT (token_id, route, key) DO UPDATE
SET digest = excluded.digest, status = excluded.status, location = excluded.location, body = excluded.body,
    created_at = now()
