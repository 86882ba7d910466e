-- Inspections that could not be computed, in the order they were parked.
SELECT i.inspection_id, i.tool_id, t.serial AS tool, t.site_id, s.code AS site, y.code AS tool_type, i.reference,
       i.stage, i.taken_at, i.inspection_version, i.inputs_as_of, i.state, i.problem, i.assessment_version,
       i.created_at, i.updated_at
FROM inspections i
JOIN tools t USING (tool_id)
JOIN sites s USING (site_id)
JOIN tool_types y USING (tool_type_id)
WHERE i.state = 'failed'
  AND (%(tool)s::text IS NULL OR t.serial = %(tool)s)
  AND (%(site)s::text IS NULL OR s.code = %(site)s)
  AND (%(tool_type)s::text IS NULL OR y.code = %(tool_type)s)
  AND (%(site_id)s::integer IS NULL OR t.site_id = %(site_id)s)
  AND (%(after_at)s::timestamptz IS NULL OR (i.updated_at, i.inspection_id) > (%(after_at)s, %(after_id)s::uuid))
ORDER BY i.updated_at, i.inspection_id
LIMIT %(limit)s
