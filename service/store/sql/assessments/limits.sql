-- The remaining usage to each limit of one assessment, and the first-passage model that it follows from.
SELECT f.code AS "limit", l.p10, l.p50, l.p90, l.probability_never, l.probability_beyond_now,
       l.gap, l.gap_var, l.drift, l.drift_var, l.gap_drift_cov, l.diffusion
FROM limits l
JOIN codes f ON f.code_id = l.limit_id
WHERE l.taken_at = %(taken_at)s AND l.inspection_id = %(inspection_id)s AND l.version = %(version)s
ORDER BY l.ordinal
