-- The ground factors that an assessment used: of the tool type's revision, those that its fleet taught in their place.
SELECT coalesce(r.document -> 'ground_factors', '{}') || coalesce(
    (SELECT m.document -> 'ground_factors' FROM wear_models m
     WHERE m.tool_type_id = tt.tool_type_id AND m.version = %(wear_model)s), '{}')
FROM tool_types tt
JOIN tool_type_revisions r USING (tool_type_id)
WHERE tt.code = %(tool_type)s AND r.revision = coalesce(%(revision)s::integer, tt.revision)
