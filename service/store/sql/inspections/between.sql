-- What happened to a tool between two of its inspections: usage with an amount, parts put in, taken out or reversed.
-- The usage of an inspection after both does not count: its interval begins at the second of them, stored now or not.
SELECT 'usage' AS what, NULL::text AS part, lower(u.period) AS at, NULL::uuid AS inspection_id,
       NULL::text AS stage, NULL::text AS reference
FROM usage u
WHERE u.tool_id = %(tool_id)s AND u.period && tstzrange(%(since)s, %(until)s)
  AND (u.metres > 0 OR u.hours > 0)
  AND (u.inspection_id IS NULL
       OR (upper(u.period) <= %(until)s AND u.inspection_id IS DISTINCT FROM %(except_id)s::uuid))
UNION ALL
SELECT 'fitting', f.part, lower(f.period), f.inspection_id, i.stage, i.reference
FROM fittings f
LEFT JOIN inspections i USING (inspection_id)
WHERE f.tool_id = %(tool_id)s AND lower(f.period) BETWEEN %(since)s AND %(until)s
  AND (f.inspection_id IS NULL OR f.inspection_id IS DISTINCT FROM %(except_id)s::uuid)
UNION ALL
SELECT 'removal', f.part, upper(f.period), NULL, NULL, NULL
FROM fittings f
WHERE f.tool_id = %(tool_id)s AND upper(f.period) > %(since)s AND upper(f.period) <= %(until)s
  AND NOT EXISTS (SELECT FROM fittings g WHERE g.tool_id = f.tool_id AND g.part = f.part AND g.position = f.position
                  AND lower(g.period) = upper(f.period))
UNION ALL
SELECT 'reversal', r.part, i.taken_at, i.inspection_id, i.stage, i.reference
FROM inspections i
JOIN inspection_versions v USING (inspection_id, inspection_version)
CROSS JOIN LATERAL jsonb_to_recordset(v.reversals) AS r (part text)
WHERE i.tool_id = %(tool_id)s AND i.taken_at BETWEEN %(since)s AND %(until)s AND i.state <> 'withdrawn'
  AND i.inspection_id IS DISTINCT FROM %(except_id)s::uuid
