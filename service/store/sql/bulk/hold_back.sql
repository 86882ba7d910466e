-- What sources said that another one of their inspection had said already.
UPDATE inspection_sources s
SET held_back = n.held_back
FROM unnest(%(inspection_ids)s::uuid[], %(sources)s::integer[], %(helds)s::jsonb[])
     AS n (inspection_id, source, held_back)
WHERE s.inspection_id = n.inspection_id AND s.source = n.source
