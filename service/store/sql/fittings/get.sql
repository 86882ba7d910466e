-- One fitting of a tool.
SELECT f.fitting_id, f.tool_id, t.serial AS tool, t.site_id, f.part, f.position, f.component_id, c.serial AS component,
       lower(f.period) AS since, upper(f.period) AS until, f.inspection_id, i.reference, i.stage
FROM fittings f
JOIN tools t USING (tool_id)
LEFT JOIN components c USING (component_id)
LEFT JOIN inspections i ON i.inspection_id = f.inspection_id
WHERE f.fitting_id = %(fitting_id)s AND t.serial = %(tool)s
