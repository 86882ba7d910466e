-- One component by its serial, with where it is now. A component taken out by a renewal is where that renewal
-- says, unless its own record was written later.
SELECT c.component_id, c.serial, c.part, tt.code AS tool_type, c.tool_type_id, s.code AS site, c.site_id, c.set_code,
       c.state AS state_sent,
       CASE WHEN held.tool IS NOT NULL THEN 'fitted'
            WHEN gone.created_at > c.updated_at THEN gone.removed_to
            ELSE c.state END AS state,
       held.tool, held.position, c.version, c.created_at, c.updated_at
FROM components c
JOIN tool_types tt USING (tool_type_id)
JOIN sites s USING (site_id)
LEFT JOIN LATERAL (
    SELECT t.serial AS tool, f.position
    FROM fittings f JOIN tools t USING (tool_id)
    WHERE f.component_id = c.component_id AND f.period @> now()
) held ON true
LEFT JOIN LATERAL (
    SELECT next.removed_to, next.created_at
    FROM fittings f
    JOIN fittings next ON next.tool_id = f.tool_id AND next.part = f.part AND next.position = f.position
         AND next.period -|- f.period AND next.period >> f.period
    WHERE f.component_id = c.component_id AND next.removed_to IS NOT NULL
    ORDER BY lower(next.period) DESC
    LIMIT 1
) gone ON true
WHERE c.serial = %(serial)s
