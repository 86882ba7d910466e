UPDATE sites
SET name = %(name)s, time_zone = %(time_zone)s, version = version + 1, updated_at = now()
WHERE site_id = %(site_id)s
RETURNING site_id, code, name, time_zone, version
