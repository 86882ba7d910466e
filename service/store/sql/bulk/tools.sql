-- Tools by serial, with where the usage of a first inspection begins.
SELECT t.serial, t.tool_id, t.site_id, t.tool_type_id, y.revision,
       t.commissioned_on::timestamp AT TIME ZONE s.time_zone AS begins
FROM tools t
JOIN sites s USING (site_id)
JOIN tool_types y USING (tool_type_id)
WHERE t.serial = ANY(%(names)s)
