-- The day each of these tools was put in, and the time zone that says when it began.
SELECT t.tool_id, t.commissioned_on, s.time_zone
FROM tools t
JOIN sites s USING (site_id)
WHERE t.tool_id = ANY(%(tool_ids)s)
