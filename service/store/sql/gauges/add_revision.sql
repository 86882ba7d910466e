WITH newest AS (
    UPDATE gauges SET revision = %(revision)s, updated_at = now() WHERE gauge_id = %(gauge_id)s
)
INSERT INTO gauge_revisions (gauge_id, revision, recorded_at, kind, unit, resolution, bias, expansion_per_k, material,
                             repeatability_sd, repeatability_dof, reproducibility_sd, reproducibility_dof, study_id, sent)
VALUES (%(gauge_id)s, %(revision)s, %(recorded_at)s, %(kind)s, %(unit)s, %(resolution)s, %(bias)s,
        %(expansion_per_k)s, %(material)s, %(repeatability_sd)s, %(repeatability_dof)s, %(reproducibility_sd)s,
        %(reproducibility_dof)s, %(study_id)s, %(sent)s)
