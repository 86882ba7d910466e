SELECT tool_type_id, revision, recorded_at
FROM tool_type_revisions
WHERE tool_type_id = ANY (%(types)s)
ORDER BY tool_type_id, revision
