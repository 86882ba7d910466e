-- All that the newest assessments of some inspections say of sizes and clearances, a row each, in the order of time; an
-- inspection that measured nothing is one row. Which inspections they are is found first, by their key.
WITH page AS MATERIALIZED (
    SELECT i.taken_at AS at, i.inspection_id, i.reference, i.stage, i.assessment_version AS version, t.serial AS tool,
           s.code AS site
    FROM inspections i
    JOIN tools t USING (tool_id)
    JOIN sites s USING (site_id)
    JOIN tool_types y USING (tool_type_id)
    WHERE i.state IN ('accepted', 'assessed') AND i.assessment_version IS NOT NULL
      AND (%(tool)s::text IS NULL OR t.serial = %(tool)s)
      AND (%(site)s::text IS NULL OR s.code = %(site)s)
      AND (%(tool_type)s::text IS NULL OR y.code = %(tool_type)s)
      AND (%(site_id)s::integer IS NULL OR t.site_id = %(site_id)s)
      AND (%(from)s::timestamptz IS NULL OR i.taken_at >= %(from)s)
      AND (%(to)s::timestamptz IS NULL OR i.taken_at < %(to)s)
      AND (%(after_at)s::timestamptz IS NULL OR (i.taken_at, i.inspection_id) > (%(after_at)s, %(after_id)s::uuid))
    ORDER BY i.taken_at, i.inspection_id
    LIMIT %(limit)s
), judged AS (
    SELECT p.at, p.reference, p.stage, p.tool, p.site, a.*
    FROM page p
    JOIN assessments a ON a.inspection_id = p.inspection_id AND a.version = p.version
), measured AS (
    SELECT j.inspection_id, 0 AS part, z.ordinal, f.code AS feature, NULL AS fit, c.serial AS component, z.position, z.readings,
           z.mean, z.min, z.max, z.worst, NULL::float8 AS clearance_for_leakage,
           CASE z.discard_on WHEN 0 THEN z.worst_u ELSE z.mean_u END AS standard_uncertainty,
           CASE z.discard_on WHEN 0 THEN z.worst_dof ELSE z.mean_dof END AS degrees_of_freedom,
           z.expanded_uncertainty, z.coverage_factor, NULL::float8 AS new, z.discard, NULL::float8 AS consumed,
           z.probability_beyond, z.verdict, NULL::float8 AS leak_free_air_m3_min
    FROM judged j
    JOIN sizes z ON z.taken_at = j.taken_at AND z.inspection_id = j.inspection_id AND z.version = j.version
    JOIN codes f ON f.code_id = z.feature_id
    LEFT JOIN components c ON c.component_id = z.component_id
    UNION ALL
    SELECT j.inspection_id, 1, k.ordinal, NULL, f.code, NULL, k.position, NULL, k.mean, k.smallest, NULL, k.worst,
           k.clearance_for_leakage, k.worst_u, k.worst_dof, k.expanded_uncertainty, k.coverage_factor, k.new, k.discard,
           k.consumed, k.probability_beyond, k.verdict, k.leak_free_air_m3_min
    FROM judged j
    JOIN clearances k ON k.taken_at = j.taken_at AND k.inspection_id = j.inspection_id AND k.version = j.version
    JOIN codes f ON f.code_id = k.fit_id
)
SELECT j.at, j.inspection_id AS inspection, j.inspection_version, j.version, j.tool, j.site, tt.code AS tool_type, j.revision,
       j.reference, j.stage, j.taken_at, j.computed_at, j.method, j.state, 1.0 - j.loss AS retained, m.feature, m.fit,
       m.component, m.position, m.readings, m.mean, m.min, m.max, m.worst, m.clearance_for_leakage, m.standard_uncertainty,
       m.degrees_of_freedom, m.expanded_uncertainty, m.coverage_factor, m.new, m.discard, m.consumed, m.probability_beyond,
       m.verdict, m.leak_free_air_m3_min
FROM judged j
JOIN tool_types tt ON tt.tool_type_id = j.tool_type_id
LEFT JOIN measured m ON m.inspection_id = j.inspection_id
ORDER BY j.at, j.inspection_id, m.part, m.ordinal
