-- What an inspection says was run, in the place of what it said before.
INSERT INTO usage (tool_id, period, metres, hours, amounts, inspection_id)
VALUES (%(tool_id)s, tstzrange(%(since)s, %(taken_at)s), %(metres)s, %(hours)s, %(amounts)s::jsonb, %(inspection_id)s)
ON CONFLICT (inspection_id) DO UPDATE
SET period = excluded.period, metres = excluded.metres, hours = excluded.hours, amounts = excluded.amounts,
    recorded_at = now()
