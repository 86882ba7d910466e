-- The fittings of the tools, and wherever else the components in them, or those named, ever sat.
WITH concerned AS (
    SELECT component_id FROM fittings WHERE tool_id = ANY (%(tools)s) AND component_id IS NOT NULL
    UNION
    SELECT unnest(%(components)s::integer[])
)
SELECT f.tool_id, f.part, f.position, f.component_id, lower(f.period) AS since, upper(f.period) AS until, f.inspection_id
FROM fittings f
WHERE f.tool_id = ANY (%(tools)s) OR f.component_id IN (SELECT component_id FROM concerned)
ORDER BY f.tool_id, f.part, f.position, lower(f.period)
