-- Mean sizes of components wherever they were measured, in the order of time; mm.
SELECT z.component_id, z.taken_at, f.code AS feature, z.mean, z.mean_u
FROM sizes z
JOIN inspections i ON i.inspection_id = z.inspection_id AND i.assessment_version = z.version AND i.state = 'assessed'
JOIN codes f ON f.code_id = z.feature_id
WHERE z.component_id = ANY (%(components)s) AND NOT z.blocked AND z.mean IS NOT NULL AND f.code = ANY (%(features)s)
ORDER BY z.component_id, z.taken_at
