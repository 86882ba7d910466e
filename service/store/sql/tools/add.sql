-- Nothing is returned where another request made the tool first.
INSERT INTO tools (serial, tool_type_id, site_id, air_setting, history, commissioned_on, note)
VALUES (%(serial)s, %(tool_type_id)s, %(site_id)s, %(air_setting)s, %(history)s, %(commissioned_on)s, %(note)s)
ON CONFLICT (serial) DO NOTHING
RETURNING tool_id
