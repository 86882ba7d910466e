SELECT t.tool_id, t.serial, t.tool_type_id, y.code AS tool_type, t.site_id, s.code AS site, s.time_zone, t.history,
       t.commissioned_on, t.created_at, t.air_setting
FROM tools t
JOIN tool_types y USING (tool_type_id)
JOIN sites s USING (site_id)
WHERE t.tool_id = ANY (%(tools)s)
ORDER BY t.tool_id
