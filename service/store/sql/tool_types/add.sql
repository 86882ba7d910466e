INSERT INTO tool_types (code, revision) VALUES (%(code)s, 1)
ON CONFLICT (code) DO NOTHING
RETURNING tool_type_id
