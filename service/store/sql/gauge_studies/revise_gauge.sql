-- The newest revision again, its spreads those of a study.
WITH newest AS (
    UPDATE gauges SET revision = revision + 1, updated_at = now() WHERE gauge_id = %(gauge_id)s
)
INSERT INTO gauge_revisions (gauge_id, revision, recorded_at, kind, unit, resolution, bias, expansion_per_k, material,
                             repeatability_sd, repeatability_dof, reproducibility_sd, reproducibility_dof, study_id, sent)
SELECT gauge_id, revision + 1, %(recorded_at)s, kind, unit, resolution, bias, expansion_per_k, material,
       %(repeatability_sd)s, %(repeatability_dof)s, %(reproducibility_sd)s, %(reproducibility_dof)s, %(study_id)s, sent
FROM gauge_revisions
WHERE gauge_id = %(gauge_id)s AND revision = %(revision)s
