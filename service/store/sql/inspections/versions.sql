-- What an inspection said, newest version first: the one that is named, or a page of those before one.
SELECT v.inspection_version, v.taken_at, v.inputs_as_of, v.recorded_at, v.cause, v.final, r.reference AS remeasures,
       v.checks, v.renewals, v.setups, v.reversals
FROM inspection_versions v
LEFT JOIN inspections r ON r.inspection_id = v.remeasures
WHERE v.inspection_id = %(inspection_id)s
  AND (%(inspection_version)s::integer IS NULL OR v.inspection_version = %(inspection_version)s)
  AND (%(before)s::integer IS NULL OR v.inspection_version < %(before)s)
ORDER BY v.inspection_version DESC
LIMIT %(limit)s
