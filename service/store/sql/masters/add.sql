INSERT INTO masters (serial, revision) VALUES (%(serial)s, 1)
ON CONFLICT (serial) DO NOTHING
RETURNING master_id
