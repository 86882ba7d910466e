INSERT INTO wear_models (tool_type_id, version, recorded_at, revision, document)
VALUES (%(tool_type_id)s, %(version)s, %(recorded_at)s, %(revision)s, %(document)s)
