-- Types whose fleets may have something new to teach: enough new sizes, a new revision of the catalogue, or a day gone
-- by. None again before ten times what the last learning took, so that it never takes a tenth of a processor.
SELECT y.tool_type_id
FROM tool_types y
LEFT JOIN wear_learning l USING (tool_type_id)
WHERE (l.finished_at IS NULL OR l.finished_at + l.seconds * interval '10 seconds' < clock_timestamp())
  AND (l.finished_at < clock_timestamp() - interval '1 day'
       OR l.revision <> y.revision
       OR %(enough)s <= (
           SELECT count(*)
           FROM (
               SELECT 1
               FROM inspection_versions v
               JOIN inspections i USING (inspection_id, inspection_version)
               JOIN tools t USING (tool_id)
               JOIN sizes s ON s.taken_at = i.taken_at AND s.inspection_id = i.inspection_id
                    AND s.version = i.assessment_version
               WHERE v.recorded_at >= coalesce(l.looked_at, '-infinity') AND t.tool_type_id = y.tool_type_id
                 AND i.state = 'assessed'
               LIMIT %(enough)s
           ) AS new_sizes))
ORDER BY y.tool_type_id
