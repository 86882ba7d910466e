-- What an inspection said, newest version first; at most one where a version is named.
SELECT v.inspection_version, v.taken_at, v.inputs_as_of, v.recorded_at, v.cause, v.final, r.reference AS remeasures,
       v.checks, v.renewals, v.setups, v.reversals
FROM inspection_versions v
LEFT JOIN inspections r ON r.inspection_id = v.remeasures
WHERE v.inspection_id = %(inspection_id)s
  AND (%(inspection_version)s::integer IS NULL OR v.inspection_version = %(inspection_version)s)
ORDER BY v.inspection_version DESC
