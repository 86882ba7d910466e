-- Sources that no longer hold from the version on that their inspection is at.
UPDATE inspection_sources s
SET until_version = i.inspection_version
FROM unnest(%(inspection_ids)s::uuid[], %(sources)s::integer[]) AS n (inspection_id, source)
JOIN inspections i USING (inspection_id)
WHERE s.inspection_id = n.inspection_id AND s.source = n.source AND s.until_version IS NULL
