INSERT INTO components (serial, part, tool_type_id, site_id)
VALUES (%(serial)s, %(part)s, %(tool_type_id)s, %(site_id)s)
ON CONFLICT (serial) DO NOTHING
