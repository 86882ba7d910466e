INSERT INTO sites (code, name, time_zone)
VALUES (%(code)s, %(name)s, %(time_zone)s)
ON CONFLICT (code) DO NOTHING
RETURNING site_id, code, name, time_zone, version
