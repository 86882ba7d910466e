-- Inspections whose inputs were found the same: what they said stands for the version that stands.
UPDATE inspections i
SET state = 'assessed', problem = NULL, updated_at = now()
FROM unnest(%(inspections)b::uuid[], %(inspection_versions)b::integer[]) AS w (inspection_id, inspection_version)
WHERE i.inspection_id = w.inspection_id AND i.inspection_version = w.inspection_version AND i.state = 'accepted'
