-- The newest assessment of each inspection; its state follows only if it is of the version that stands.
UPDATE inspections i
SET assessment_version = w.version,
    state = CASE WHEN i.inspection_version = w.inspection_version AND i.state <> 'withdrawn' THEN 'assessed' ELSE i.state END,
    problem = CASE WHEN i.inspection_version = w.inspection_version THEN NULL ELSE i.problem END,
    updated_at = now()
FROM unnest(%(inspections)b::uuid[], %(inspection_versions)b::integer[], %(versions)b::integer[])
     AS w (inspection_id, inspection_version, version)
WHERE i.inspection_id = w.inspection_id
