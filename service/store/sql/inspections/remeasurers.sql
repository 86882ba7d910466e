-- Inspections in force that measure this one again.
SELECT i.inspection_id, i.reference, i.stage, i.taken_at
FROM inspection_versions v
JOIN inspections i ON i.inspection_id = v.inspection_id AND i.inspection_version = v.inspection_version
WHERE v.remeasures = %(inspection_id)s AND i.state <> 'withdrawn'
ORDER BY i.taken_at, i.reference
