SELECT c.master_id, m.serial, c.revision, c.recorded_at, c.size, c.expanded_uncertainty, c.coverage_factor, c.calibrated_on,
       c.due_on, c.expansion_per_k, c.material
FROM master_certificates c
JOIN masters m USING (master_id)
WHERE c.master_id = ANY (%(masters)s)
ORDER BY c.master_id, c.calibrated_on NULLS FIRST, c.revision
