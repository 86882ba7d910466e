SELECT t.code, r.document ->> 'name' AS name, r.revision, r.recorded_at
FROM tool_types t JOIN tool_type_revisions r USING (tool_type_id, revision)
WHERE %(after)s::text IS NULL OR t.code > %(after)s
ORDER BY t.code
LIMIT %(limit)s
