-- A page of components by serial.
SELECT c.component_id, c.serial, c.part, tt.code AS tool_type, c.tool_type_id, s.code AS site, c.site_id, c.set_code,
       c.state AS state_kept,
       CASE WHEN held.tool IS NULL THEN c.state ELSE 'fitted' END AS state,
       held.tool, held.position, c.version, c.created_at, c.updated_at
FROM components c
JOIN tool_types tt USING (tool_type_id)
JOIN sites s USING (site_id)
LEFT JOIN LATERAL (
    SELECT t.serial AS tool, f.position
    FROM fittings f JOIN tools t USING (tool_id)
    WHERE f.component_id = c.component_id AND f.period @> now()
) held ON true
WHERE c.serial > %(after)s
  AND (%(site)s::text IS NULL OR s.code = %(site)s)
  AND (%(tool_type)s::text IS NULL OR tt.code = %(tool_type)s)
  AND (%(part)s::text IS NULL OR c.part = %(part)s)
  AND (%(site_id)s::integer IS NULL OR c.site_id = %(site_id)s)
  AND (%(tool)s::text IS NULL OR held.tool = %(tool)s)
  AND (%(state)s::text IS NULL OR %(state)s = CASE WHEN held.tool IS NULL THEN c.state ELSE 'fitted' END)
ORDER BY c.serial
LIMIT %(limit)s
