-- What a tool or a component names: the newest revision of its type, and its site. NULL where there is none.
SELECT tt.tool_type_id, r.document, s.site_id
FROM (VALUES (%(tool_type)s::text, %(site)s::text)) named(tool_type, site)
LEFT JOIN tool_types tt ON tt.code = named.tool_type
LEFT JOIN tool_type_revisions r ON r.tool_type_id = tt.tool_type_id AND r.revision = tt.revision
LEFT JOIN sites s ON s.code = named.site
