SELECT l.layout_id, l.code, l.revision, r.document
FROM layouts l
JOIN layout_revisions r USING (layout_id, revision)
WHERE l.code = %(code)s
FOR UPDATE OF l
