-- Whoever changes what a tool's time line rests on holds these rows first, always in the order of tool_id.
SELECT t.tool_id, t.serial, t.site_id, t.tool_type_id
FROM tools t
WHERE t.serial = ANY(%(serials)s)
ORDER BY t.tool_id
FOR UPDATE OF t
