-- A page of the fleet's statuses by serial: which tools are on it first, then what is told of them, so that no document
-- is read of a tool that is not.
WITH page AS (
    SELECT t.tool_id
    FROM tools t
    JOIN tool_types tt USING (tool_type_id)
    JOIN sites s USING (site_id)
    LEFT JOIN tool_status w ON w.tool_id = t.tool_id
    WHERE t.serial > %(after)s
      AND (%(site)s::text IS NULL OR s.code = %(site)s)
      AND (%(tool_type)s::text IS NULL OR tt.code = %(tool_type)s)
      AND (%(state)s::text IS NULL OR coalesce(w.state, 'remeasure') = %(state)s)
      AND (%(site_id)s::integer IS NULL OR t.site_id = %(site_id)s)
    ORDER BY t.serial
    LIMIT %(limit)s
)
SELECT t.tool_id, t.serial AS tool, tt.code AS tool_type, s.code AS site, t.site_id, t.created_at,
       w.sequence, w.state, w.inspection_id, w.inspected_at, w.updated_at, w.retained, w.service_loss, w.basis, w.ground::text,
       w.ground_factor, g.code AS governing, w.p10, w.p50, w.p90, w.used_since, w.as_of, w.due_p10, w.due_p50, w.due_p90,
       w.dates_on, w.renew::text, w.parts::text, w.remarks, w.wear_model,
       CASE WHEN w.tool_id IS NULL THEN
           (SELECT jsonb_build_array(r.document -> 'life_basis', r.document -> 'service_loss')
            FROM tool_type_revisions r WHERE r.tool_type_id = tt.tool_type_id AND r.revision = tt.revision)
       END AS type_facts
FROM page
JOIN tools t USING (tool_id)
JOIN tool_types tt USING (tool_type_id)
JOIN sites s USING (site_id)
LEFT JOIN tool_status w ON w.tool_id = t.tool_id
LEFT JOIN codes g ON g.code_id = w.governing
ORDER BY t.serial
