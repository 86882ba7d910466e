SELECT digest, status, location, body
FROM idempotency_keys
WHERE token_id = %(token_id)s AND route = %(route)s AND key = %(key)s
  AND created_at > now() - interval '24 hours'
