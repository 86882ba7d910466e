WITH layout AS (
    INSERT INTO layouts AS l (code, revision)
    VALUES (%(code)s, 1)
    ON CONFLICT (code) DO UPDATE SET revision = l.revision + 1, updated_at = now()
    RETURNING layout_id, revision
)
INSERT INTO layout_revisions (layout_id, revision, document)
SELECT layout_id, revision, %(document)s FROM layout
RETURNING revision
