-- The moment before which every inspection of the type has been assessed, in the snapshot that its sizes are read in.
SELECT least(now(), min(v.recorded_at))
FROM tools t
JOIN inspections i USING (tool_id)
JOIN inspection_versions v USING (inspection_id, inspection_version)
WHERE t.tool_type_id = %(tool_type_id)s AND i.state = 'accepted'
