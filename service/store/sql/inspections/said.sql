-- What one version of an inspection says besides its readings.
SELECT checks, renewals, setups, reversals, remeasures
FROM inspection_versions
WHERE inspection_id = %(inspection_id)s AND inspection_version = %(inspection_version)s
