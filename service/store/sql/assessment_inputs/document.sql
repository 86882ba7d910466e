SELECT y.code, r.document
FROM tool_type_revisions r
JOIN tool_types y USING (tool_type_id)
WHERE r.tool_type_id = %(tool_type_id)s AND r.revision = %(revision)s
