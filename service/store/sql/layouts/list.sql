SELECT l.layout_id, l.code, l.revision, r.document
FROM layouts l
JOIN layout_revisions r USING (layout_id, revision)
WHERE l.code > %(after)s
ORDER BY l.code
LIMIT %(limit)s
