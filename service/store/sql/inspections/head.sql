-- An inspection's own row, with the names of what it belongs to.
SELECT i.inspection_id, i.tool_id, t.serial AS tool, t.site_id, s.code AS site, y.code AS tool_type, i.reference,
       i.stage, i.taken_at, i.inspection_version, i.inputs_as_of, i.state, i.problem, i.assessment_version,
       i.created_at, i.updated_at
FROM inspections i
JOIN tools t USING (tool_id)
JOIN sites s USING (site_id)
JOIN tool_types y USING (tool_type_id)
WHERE i.inspection_id = %(inspection_id)s
