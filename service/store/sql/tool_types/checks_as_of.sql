-- The checks of the revision of a type that was in force at a moment; of the first where none was yet.
SELECT r.document -> 'checks'
FROM tool_types t JOIN tool_type_revisions r USING (tool_type_id)
WHERE t.code = %(code)s AND (r.recorded_at <= %(as_of)s OR r.revision = 1)
ORDER BY r.revision DESC
LIMIT 1
