-- Where components are that are not fitted: where the renewal that ended their last fitting sent them. One that a
-- client took out by itself stays as the client left it.
WITH last AS (
    SELECT DISTINCT ON (c.component_id) c.component_id, f.fitting_id, upper_inf(f.period) AS still, n.removed_to
    FROM components c
    LEFT JOIN fittings f USING (component_id)
    LEFT JOIN fittings n ON n.tool_id = f.tool_id AND n.part = f.part AND n.position = f.position
        AND lower(n.period) = upper(f.period)
    WHERE c.component_id = ANY(%(component_ids)s)
    ORDER BY c.component_id, lower(f.period) DESC
), derived AS (
    SELECT component_id, CASE WHEN fitting_id IS NULL OR still THEN 'stock' ELSE removed_to END AS state
    FROM last
)
UPDATE components c
SET state = d.state, version = version + 1, updated_at = now()
FROM derived d
WHERE c.component_id = d.component_id AND c.state <> d.state
