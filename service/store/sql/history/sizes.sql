-- A page of one feature's sizes in one tool, in the order of time, from the newest assessment of each inspection
-- that stands.
SELECT i.inspection_id, i.reference, i.stage, a.taken_at, a.version, a.revision, tt.code AS tool_type, s.ordinal,
       c.serial AS component, s.position, s.reversals, s.readings, s.mean, s.min, s.max, s.worst, s.worst_station,
       CASE s.discard_on WHEN 0 THEN s.worst_u ELSE s.mean_u END AS standard_uncertainty,
       CASE s.discard_on WHEN 0 THEN s.worst_dof ELSE s.mean_dof END AS degrees_of_freedom,
       s.mean_u AS mean_standard_uncertainty, s.expanded_uncertainty, s.coverage_factor, s.discard,
       CASE s.discard_on WHEN 0 THEN 'worst' ELSE 'mean' END AS discard_on,
       s.probability_beyond, s.verdict, s.blocked, s.usage AS component_usage
FROM inspections i
JOIN assessments a ON a.inspection_id = i.inspection_id AND a.version = i.assessment_version
JOIN tool_types tt ON tt.tool_type_id = a.tool_type_id
JOIN sizes s ON s.taken_at = a.taken_at AND s.inspection_id = a.inspection_id AND s.version = a.version
LEFT JOIN components c USING (component_id)
WHERE i.tool_id = %(tool_id)s AND i.state IN ('accepted', 'assessed') AND s.tool_id = %(tool_id)s
  AND s.feature_id = (SELECT code_id FROM codes WHERE code = %(code)s)
  AND (%(after_time)s::timestamptz IS NULL
       OR (a.taken_at, i.stage, i.reference, s.ordinal)
          > (%(after_time)s::timestamptz, %(after_stage)s::text, %(after_reference)s::text, %(after_ordinal)s::bigint))
ORDER BY a.taken_at, i.stage, i.reference, s.ordinal
LIMIT %(limit)s
