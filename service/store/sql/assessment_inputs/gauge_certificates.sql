SELECT gauge_id, recorded_at, expanded_uncertainty, coverage_factor, degrees_of_freedom, calibrated_on, due_on
FROM gauge_certificates
WHERE gauge_id = ANY (%(gauges)s)
ORDER BY gauge_id, calibrated_on NULLS FIRST, recorded_at
