-- What refers to a site: at most ten of each kind, to name them.
(SELECT 'tool' AS kind, serial AS key FROM tools WHERE site_id = %(site_id)s ORDER BY serial LIMIT 10)
UNION ALL
(SELECT 'component', serial FROM components WHERE site_id = %(site_id)s ORDER BY serial LIMIT 10)
UNION ALL
(SELECT 'token', name FROM tokens WHERE site_id = %(site_id)s ORDER BY name LIMIT 10)
UNION ALL
(SELECT 'gauge-export', export_id::text FROM gauge_exports WHERE site_id = %(site_id)s ORDER BY export_id LIMIT 10)
