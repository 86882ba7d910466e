SELECT t.code, r.document ->> 'name' AS name, r.revision, r.recorded_at
FROM tool_types t JOIN tool_type_revisions r USING (tool_type_id)
WHERE t.code = %(code)s AND r.revision > %(after)s
ORDER BY r.revision
LIMIT %(limit)s
