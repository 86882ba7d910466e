-- A page of what was measured of one component, in whichever tool or on the bench, in the order of time.
SELECT i.inspection_id, i.reference, i.stage, a.taken_at, a.version, a.revision, tt.code AS tool_type, s.ordinal, s.tool_id,
       t.serial AS tool, f.code AS feature, s.position, s.reversals, s.readings, s.mean, s.min, s.max, s.worst,
       s.worst_station,
       CASE s.discard_on WHEN 0 THEN s.worst_u ELSE s.mean_u END AS standard_uncertainty,
       CASE s.discard_on WHEN 0 THEN s.worst_dof ELSE s.mean_dof END AS degrees_of_freedom,
       s.mean_u AS mean_standard_uncertainty, s.expanded_uncertainty, s.coverage_factor, s.discard,
       CASE s.discard_on WHEN 0 THEN 'worst' ELSE 'mean' END AS discard_on,
       s.probability_beyond, s.verdict, s.blocked, s.usage AS component_usage
FROM sizes s
JOIN inspections i ON i.inspection_id = s.inspection_id AND i.assessment_version = s.version
JOIN assessments a ON a.inspection_id = s.inspection_id AND a.version = s.version
JOIN tool_types tt ON tt.tool_type_id = a.tool_type_id
JOIN tools t ON t.tool_id = s.tool_id
JOIN codes f ON f.code_id = s.feature_id
WHERE s.component_id = %(component_id)s AND i.state IN ('accepted', 'assessed')
  AND (%(feature)s::text IS NULL OR f.code = %(feature)s)
  AND (%(after_time)s::timestamptz IS NULL
       OR (s.taken_at >= %(after_time)s::timestamptz
           AND (s.taken_at, i.stage, i.reference, s.tool_id, s.ordinal)
               > (%(after_time)s::timestamptz, %(after_stage)s::text, %(after_reference)s::text,
                  %(after_tool)s::bigint, %(after_ordinal)s::bigint)))
ORDER BY s.taken_at, i.stage, i.reference, s.tool_id, s.ordinal
LIMIT %(limit)s
