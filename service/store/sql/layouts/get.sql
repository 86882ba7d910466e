SELECT l.layout_id, l.code, r.revision, r.document
FROM layouts l
JOIN layout_revisions r ON r.layout_id = l.layout_id AND r.revision = coalesce(%(revision)s::integer, l.revision)
WHERE l.code = %(code)s
