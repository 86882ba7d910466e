-- The newest revision of a tool's type.
SELECT tt.code, r.revision, r.document
FROM tools t
JOIN tool_types tt USING (tool_type_id)
JOIN tool_type_revisions r ON r.tool_type_id = tt.tool_type_id AND r.revision = tt.revision
WHERE t.tool_id = %(tool_id)s
