WITH newest AS (
    UPDATE tool_types SET revision = %(revision)s, updated_at = now() WHERE tool_type_id = %(tool_type_id)s
)
INSERT INTO tool_type_revisions (tool_type_id, revision, recorded_at, document, sent)
VALUES (%(tool_type_id)s, %(revision)s, %(recorded_at)s, %(document)s, %(sent)s)
