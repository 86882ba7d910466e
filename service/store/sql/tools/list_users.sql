-- What refers to a tool, at most 20 of each kind.
(SELECT 'inspection' AS kind, i.reference || ' ' || i.stage AS key
 FROM inspections i WHERE i.tool_id = %(tool_id)s ORDER BY i.taken_at LIMIT 20)
UNION ALL
(SELECT 'fitting', f.fitting_id::text || ' of ' || coalesce(c.serial, f.part)
 FROM fittings f LEFT JOIN components c USING (component_id) WHERE f.tool_id = %(tool_id)s LIMIT 20)
UNION ALL
(SELECT 'usage', u.usage_id::text
 FROM usage u WHERE u.tool_id = %(tool_id)s AND u.inspection_id IS NULL LIMIT 20)
