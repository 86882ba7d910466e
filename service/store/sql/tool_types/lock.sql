-- FOR NO KEY UPDATE: writers of tools, whose key check takes KEY SHARE here, are not in the way.
SELECT t.tool_type_id, t.code, r.revision, r.recorded_at, r.document
FROM tool_types t JOIN tool_type_revisions r USING (tool_type_id, revision)
WHERE t.code = %(code)s
FOR NO KEY UPDATE OF t
