SELECT g.gauge_id, g.serial, r.revision, r.recorded_at, r.sent, r.study_id,
       r.repeatability_sd, r.repeatability_dof, r.reproducibility_sd, r.reproducibility_dof
FROM gauges g JOIN gauge_revisions r USING (gauge_id, revision)
WHERE g.serial = %(serial)s
