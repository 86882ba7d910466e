-- The newest revision of each tool type.
SELECT y.tool_type_id, y.code, y.revision, r.document
FROM tool_types y
JOIN tool_type_revisions r USING (tool_type_id, revision)
WHERE y.tool_type_id = ANY(%(ids)s)
