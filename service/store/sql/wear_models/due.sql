-- Types whose fleets have something new to teach: enough new readings, a new revision of the catalogue, or a day gone
-- by with any. None again before ten times what the last learning took, so that it never takes a tenth of a processor.
WITH news AS (
    SELECT t.tool_type_id, count(s.*) AS sizes
    FROM tool_types y
    JOIN tools t USING (tool_type_id)
    JOIN inspections i USING (tool_id)
    JOIN inspection_versions v USING (inspection_id, inspection_version)
    JOIN sizes s ON s.taken_at = i.taken_at AND s.inspection_id = i.inspection_id AND s.version = i.assessment_version
    LEFT JOIN wear_learning l ON l.tool_type_id = t.tool_type_id
    WHERE v.recorded_at >= coalesce((SELECT min(looked_at) FROM wear_learning), '-infinity')
      AND (l.looked_at IS NULL OR v.recorded_at >= l.looked_at) AND i.state = 'assessed'
    GROUP BY t.tool_type_id
)
SELECT n.tool_type_id
FROM news n
JOIN tool_types y USING (tool_type_id)
LEFT JOIN wear_learning l USING (tool_type_id)
WHERE (n.sizes >= %(enough)s OR l.finished_at < clock_timestamp() - interval '1 day' OR l.revision <> y.revision)
  AND (l.finished_at IS NULL OR l.finished_at + l.seconds * interval '10 seconds' < clock_timestamp())
ORDER BY n.tool_type_id
