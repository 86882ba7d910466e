INSERT INTO fittings (tool_id, part, position, component_id, period)
VALUES (%(tool_id)s, %(part)s, %(position)s, %(component_id)s, tstzrange(%(since)s, %(until)s))
RETURNING fitting_id
