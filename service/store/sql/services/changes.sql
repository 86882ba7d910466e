-- When parts were put into the tools, or turned end for end there, in the order of time; a component that has been in a tool
-- before was in use.
SELECT f.tool_id, f.part, f.position, f.component_id, lower(f.period) AS at, f.inspection_id IS NOT NULL AS renewed,
       EXISTS (
           SELECT 1 FROM fittings e WHERE e.component_id = f.component_id AND lower(e.period) < lower(f.period)
       ) AS used
FROM fittings f
WHERE f.tool_id = ANY (%(tools)s) AND f.part = ANY (%(parts)s)
UNION ALL
SELECT i.tool_id, r.part, coalesce(r.position, 1), NULL, i.taken_at, true, true
FROM inspections i
JOIN inspection_versions v USING (inspection_id, inspection_version)
CROSS JOIN LATERAL jsonb_to_recordset(v.reversals) AS r(part text, position smallint)
WHERE i.tool_id = ANY (%(tools)s) AND i.state <> 'withdrawn' AND v.reversals <> '[]' AND r.part = ANY (%(parts)s)
ORDER BY tool_id, at
