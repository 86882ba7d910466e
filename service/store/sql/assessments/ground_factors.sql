-- The ground factors of the tool type's revision that an assessment used.
SELECT r.document -> 'ground_factors'
FROM tool_types tt
JOIN tool_type_revisions r USING (tool_type_id)
WHERE tt.code = %(tool_type)s AND r.revision = coalesce(%(revision)s::integer, tt.revision)
