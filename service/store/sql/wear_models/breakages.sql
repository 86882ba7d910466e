-- Where and when a part of a type's tools was renewed because it broke.
SELECT i.tool_id, r.part, r.position, i.taken_at
FROM tools t
JOIN inspections i USING (tool_id)
JOIN inspection_versions v USING (inspection_id, inspection_version)
CROSS JOIN LATERAL jsonb_to_recordset(v.renewals) AS r (part text, position integer, reason text)
WHERE t.tool_type_id = %(tool_type_id)s AND i.state <> 'withdrawn' AND r.reason = 'broken'
ORDER BY i.taken_at, i.tool_id, r.part, r.position
