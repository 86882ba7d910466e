-- A page of one fit's clearances in one tool, in the order of time, from the newest assessment of each inspection
-- that stands, with the usage of the two components that make the fit.
SELECT i.inspection_id, i.reference, i.stage, a.taken_at, a.version, a.revision, tt.code AS tool_type, k.ordinal,
       k.position, k.mean, k.worst, k.smallest, k.clearance_for_leakage,
       k.worst_u AS standard_uncertainty, k.worst_dof AS degrees_of_freedom, k.mean_u AS mean_standard_uncertainty,
       k.expanded_uncertainty, k.coverage_factor, k.new, k.discard, k.consumed, k.probability_beyond, k.verdict,
       shaft.component AS shaft_component, shaft.usage AS shaft_usage,
       bore.component AS bore_component, bore.usage AS bore_usage
FROM inspections i
JOIN assessments a ON a.inspection_id = i.inspection_id AND a.version = i.assessment_version
JOIN tool_types tt ON tt.tool_type_id = a.tool_type_id
JOIN clearances k ON k.taken_at = a.taken_at AND k.inspection_id = a.inspection_id AND k.version = a.version
LEFT JOIN LATERAL (
    SELECT c.serial AS component, s.usage FROM sizes s LEFT JOIN components c USING (component_id)
    WHERE s.taken_at = a.taken_at AND s.inspection_id = a.inspection_id AND s.version = a.version
      AND s.feature_id = (SELECT code_id FROM codes WHERE code = %(shaft)s) AND s.position IS NOT NULL
    ORDER BY s.position = k.position DESC NULLS LAST, s.ordinal LIMIT 1
) shaft ON true
LEFT JOIN LATERAL (
    SELECT c.serial AS component, s.usage FROM sizes s LEFT JOIN components c USING (component_id)
    WHERE s.taken_at = a.taken_at AND s.inspection_id = a.inspection_id AND s.version = a.version
      AND s.feature_id = (SELECT code_id FROM codes WHERE code = %(bore)s) AND s.position IS NOT NULL
    ORDER BY s.position = k.position DESC NULLS LAST, s.ordinal LIMIT 1
) bore ON true
WHERE i.tool_id = %(tool_id)s AND i.state IN ('accepted', 'assessed') AND k.tool_id = %(tool_id)s
  AND k.fit_id = (SELECT code_id FROM codes WHERE code = %(code)s)
  AND (%(after_time)s::timestamptz IS NULL
       OR (a.taken_at, i.stage, i.reference, k.ordinal)
          > (%(after_time)s::timestamptz, %(after_stage)s::text, %(after_reference)s::text, %(after_ordinal)s::bigint))
ORDER BY a.taken_at, i.stage, i.reference, k.ordinal
LIMIT %(limit)s
