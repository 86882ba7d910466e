SELECT t.token_id, t.name, t.scopes, s.code AS site, t.created_at, t.revoked_at
FROM tokens AS t
LEFT JOIN sites AS s USING (site_id)
ORDER BY t.token_id;
