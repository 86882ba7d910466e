SELECT t.tool_type_id, t.code, r.revision, r.recorded_at, r.document
FROM tool_types t JOIN tool_type_revisions r USING (tool_type_id)
WHERE t.code = %(code)s AND r.revision = coalesce(%(revision)s::integer, t.revision)
