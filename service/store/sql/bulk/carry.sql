-- What inspections say was run, in the place of what they said before; their intervals are derived next.
INSERT INTO usage (tool_id, period, metres, hours, amounts, inspection_id)
SELECT i.tool_id, tstzrange(i.taken_at - interval '1 microsecond', i.taken_at), n.metres, n.hours, n.amounts,
       n.inspection_id
FROM unnest(%(inspection_ids)s::uuid[], %(metres)s::double precision[], %(hours)s::double precision[],
            %(amounts)s::jsonb[]) AS n (inspection_id, metres, hours, amounts)
JOIN inspections i USING (inspection_id)
ON CONFLICT (inspection_id) DO UPDATE
SET period = excluded.period, metres = excluded.metres, hours = excluded.hours, amounts = excluded.amounts,
    recorded_at = now()
