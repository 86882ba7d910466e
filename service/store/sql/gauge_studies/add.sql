INSERT INTO gauge_studies (gauge_id, recorded_at, unit, tolerance, pool_above, measurements, results)
VALUES (%(gauge_id)s, %(recorded_at)s, %(unit)s, %(tolerance)s, %(pool_above)s, %(measurements)s, %(results)s)
RETURNING study_id
