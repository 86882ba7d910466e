SELECT s.study_id, s.recorded_at, s.unit, s.tolerance, s.pool_above, s.measurements, s.results,
       (SELECT min(r.revision) FROM gauge_revisions r
        WHERE r.gauge_id = s.gauge_id AND r.study_id = s.study_id) AS gauge_revision
FROM gauge_studies s
WHERE s.gauge_id = %(gauge_id)s AND (%(after)s::uuid IS NULL OR s.study_id > %(after)s)
ORDER BY s.study_id
LIMIT %(limit)s
