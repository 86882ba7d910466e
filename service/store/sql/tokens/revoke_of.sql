UPDATE tokens SET revoked_at = coalesce(revoked_at, now())
WHERE name = %(name)s
RETURNING token_id;
