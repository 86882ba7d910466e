-- Not where the last one recorded for that day says the same already.
INSERT INTO gauge_certificates
    (gauge_id, recorded_at, expanded_uncertainty, coverage_factor, degrees_of_freedom, calibrated_on, due_on)
SELECT %(gauge_id)s, %(recorded_at)s, %(expanded_uncertainty)s, %(coverage_factor)s, %(degrees_of_freedom)s,
       %(calibrated_on)s, %(due_on)s
WHERE (%(expanded_uncertainty)s::float8, %(coverage_factor)s::float8, %(degrees_of_freedom)s::float8, %(due_on)s::date)
    IS DISTINCT FROM (
        SELECT (expanded_uncertainty, coverage_factor, degrees_of_freedom, due_on)
        FROM gauge_certificates
        WHERE gauge_id = %(gauge_id)s AND calibrated_on IS NOT DISTINCT FROM %(calibrated_on)s::date
        ORDER BY recorded_at DESC
        LIMIT 1)
