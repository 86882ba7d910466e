-- One component by its serial, with where it is now.
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
WHERE c.serial = %(serial)s
