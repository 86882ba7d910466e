INSERT INTO tokens (name, digest, scopes, site_id)
SELECT %(name)s, %(digest)s, %(scopes)s, s.site_id
FROM (SELECT (SELECT site_id FROM sites WHERE code = %(site)s) AS site_id) AS s
WHERE %(site)s::text IS NULL OR s.site_id IS NOT NULL
RETURNING token_id;
