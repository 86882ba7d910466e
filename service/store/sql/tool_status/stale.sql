-- Tools whose dates are of an earlier day of their site.
SELECT s.tool_id
FROM tool_status s
JOIN tools t USING (tool_id)
JOIN sites p USING (site_id)
WHERE s.dates_on < (clock_timestamp() AT TIME ZONE p.time_zone)::date
  AND NOT EXISTS (SELECT 1 FROM tool_work w WHERE w.tool_id = s.tool_id)
ORDER BY s.tool_id
LIMIT %(limit)s
