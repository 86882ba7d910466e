INSERT INTO fittings (tool_id, part, position, component_id, period, inspection_id, removed_to)
VALUES (%(tool_id)s, %(part)s, %(position)s, %(component_id)s, tstzrange(%(since)s, %(until)s), %(inspection_id)s,
        %(removed_to)s)
