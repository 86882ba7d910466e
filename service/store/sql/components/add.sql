-- Nothing is returned where another request made the component first.
INSERT INTO components (serial, part, tool_type_id, site_id, set_code, state)
VALUES (%(serial)s, %(part)s, %(tool_type_id)s, %(site_id)s, %(set_code)s, %(state)s)
ON CONFLICT (serial) DO NOTHING
RETURNING component_id
