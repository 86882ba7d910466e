-- Every inspection of the tools that stands, in the order of time, with what its newest assessment says of itself.
SELECT i.tool_id, i.inspection_id, i.reference, i.stage, i.taken_at, i.inspection_version, i.inputs_as_of, i.created_at,
       i.state, i.assessment_version, v.remeasures, v.final, v.checks, a.digest, a.inspection_version AS assessed_version,
       a.checks AS judged_checks, a.offsets AS judged_offsets, v.reversals
FROM inspections i
JOIN inspection_versions v USING (inspection_id, inspection_version)
LEFT JOIN assessments a ON a.inspection_id = i.inspection_id AND a.version = i.assessment_version
WHERE i.tool_id = ANY (%(tools)s) AND i.state <> 'withdrawn'
ORDER BY i.tool_id, i.taken_at, i.stage, i.reference
