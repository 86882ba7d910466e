-- Inspections in force that rest on an export, by tool so that locks are taken in one order.
SELECT DISTINCT i.tool_id, t.serial, i.inspection_id
FROM inspection_sources s
JOIN inspections i USING (inspection_id)
JOIN tools t USING (tool_id)
WHERE s.export_id = %(export_id)s AND s.until_version IS NULL AND i.state <> 'withdrawn'
ORDER BY i.tool_id, i.inspection_id
