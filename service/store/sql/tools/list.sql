-- A page of tools by serial.
SELECT t.tool_id, t.serial, tt.code AS tool_type, t.tool_type_id, s.code AS site, t.site_id, s.time_zone,
       t.air_setting, t.history, t.commissioned_on, t.note, t.version, t.created_at, t.updated_at
FROM tools t
JOIN tool_types tt USING (tool_type_id)
JOIN sites s USING (site_id)
WHERE t.serial > %(after)s
  AND (%(site)s::text IS NULL OR s.code = %(site)s)
  AND (%(tool_type)s::text IS NULL OR tt.code = %(tool_type)s)
  AND (%(site_id)s::integer IS NULL OR t.site_id = %(site_id)s)
ORDER BY t.serial
LIMIT %(limit)s
