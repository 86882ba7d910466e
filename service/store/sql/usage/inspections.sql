-- The inspections of some tools that stand, in the order of time: between them some usage has to be on record.
SELECT i.tool_id, i.inspection_id, i.reference, i.stage, i.taken_at, v.remeasures
FROM inspections i
JOIN inspection_versions v USING (inspection_id, inspection_version)
WHERE i.tool_id = ANY(%(tool_ids)s) AND i.state <> 'withdrawn'
ORDER BY i.tool_id, i.taken_at, i.stage, i.reference
