-- Inspections that rest on an export alone and that nothing else rests on: no fitting, no component named, no second
-- measurement. They can be withdrawn all at once.
SELECT i.inspection_id, i.tool_id, i.taken_at
FROM (SELECT DISTINCT inspection_id FROM inspection_sources WHERE export_id = %(export_id)s AND until_version IS NULL) s
JOIN inspections i USING (inspection_id)
WHERE i.state <> 'withdrawn'
  AND NOT EXISTS (SELECT FROM inspection_sources o WHERE o.inspection_id = i.inspection_id AND o.until_version IS NULL
                  AND o.export_id IS DISTINCT FROM %(export_id)s)
  AND NOT EXISTS (SELECT FROM fittings f WHERE f.inspection_id = i.inspection_id)
  AND NOT EXISTS (SELECT FROM inspection_versions v JOIN inspections j USING (inspection_id, inspection_version)
                  WHERE v.remeasures = i.inspection_id AND j.state <> 'withdrawn')
  AND NOT EXISTS (SELECT FROM readings r WHERE r.taken_at = i.taken_at AND r.inspection_id = i.inspection_id
                  AND r.inspection_version = i.inspection_version AND r.component_id IS NOT NULL)
ORDER BY i.tool_id
