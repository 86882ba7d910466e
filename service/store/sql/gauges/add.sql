INSERT INTO gauges (serial, revision) VALUES (%(serial)s, 1)
ON CONFLICT (serial) DO NOTHING
RETURNING gauge_id
