-- What new inspections say was run, since the inspection before.
INSERT INTO usage (tool_id, period, metres, hours, amounts, inspection_id)
SELECT n.tool_id, tstzrange(n.since, n.taken_at), n.metres, n.hours, n.amounts::jsonb, n.inspection_id
FROM unnest(%(tool_ids)s::integer[], %(since)s::timestamptz[], %(taken_at)s::timestamptz[],
            %(metres)s::double precision[], %(hours)s::double precision[], %(amounts)s::text[],
            %(inspection_ids)s::uuid[])
     AS n(tool_id, since, taken_at, metres, hours, amounts, inspection_id)
