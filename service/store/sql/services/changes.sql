-- When parts were put into the tools, in the order of time; a component that has been in a tool before was in use.
SELECT f.tool_id, f.part, f.position, f.component_id, lower(f.period) AS at, f.inspection_id IS NOT NULL AS renewed,
       EXISTS (
           SELECT 1 FROM fittings e WHERE e.component_id = f.component_id AND lower(e.period) < lower(f.period)
       ) AS used
FROM fittings f
WHERE f.tool_id = ANY (%(tools)s) AND f.part = ANY (%(parts)s)
ORDER BY f.tool_id, lower(f.period)
