SELECT certificate_id, recorded_at, expanded_uncertainty, coverage_factor, degrees_of_freedom, calibrated_on, due_on
FROM gauge_certificates
WHERE gauge_id = %(gauge_id)s AND (%(after)s::uuid IS NULL OR certificate_id > %(after)s)
ORDER BY certificate_id
LIMIT %(limit)s
