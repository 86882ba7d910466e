SELECT r.gauge_id, g.serial, r.revision, r.recorded_at, r.kind, r.resolution, r.bias, r.expansion_per_k, r.material,
       r.repeatability_sd, r.repeatability_dof, r.reproducibility_sd, r.reproducibility_dof
FROM gauge_revisions r
JOIN gauges g USING (gauge_id)
WHERE r.gauge_id = ANY (%(gauges)s)
ORDER BY r.gauge_id, r.revision
