SELECT tokens.token_id, tokens.scopes, tokens.site_id, sites.code AS site
FROM tokens LEFT JOIN sites USING (site_id)
WHERE tokens.digest = %(digest)s AND tokens.revoked_at IS NULL
