-- The limits of one tool's status, as of its last event.
SELECT f.code AS "limit", l.p10, l.p50, l.p90, l.probability_never, l.probability_beyond_now,
       l.gap, l.gap_var, l.drift, l.drift_var, l.gap_drift_cov, l.diffusion
FROM tool_status_limits l
JOIN codes f ON f.code_id = l.limit_id
WHERE l.tool_id = %(tool_id)s
ORDER BY l.ordinal
