UPDATE tokens SET revoked_at = coalesce(revoked_at, now())
WHERE token_id = %(token_id)s
RETURNING token_id;
