-- One tool by its serial.
SELECT t.tool_id, t.serial, tt.code AS tool_type, t.tool_type_id, s.code AS site, t.site_id, s.time_zone,
       t.air_setting, t.history, t.commissioned_on, t.note, t.version, t.created_at, t.updated_at
FROM tools t
JOIN tool_types tt USING (tool_type_id)
JOIN sites s USING (site_id)
WHERE t.serial = %(serial)s
