-- Inspections in force that a file speaks of, with what their sources are known by.
SELECT n.place, i.inspection_id,
       ARRAY(SELECT s.digest FROM inspection_sources s WHERE s.inspection_id = i.inspection_id AND s.until_version IS NULL)
FROM unnest(%(tool_ids)s::integer[], %(references)s::text[], %(stages)s::text[]) WITH ORDINALITY
     AS n(tool_id, reference, stage, place)
JOIN inspections i USING (tool_id, reference, stage)
WHERE i.state <> 'withdrawn'
