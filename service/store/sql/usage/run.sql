-- What tools ran up to a moment, weighted by the ground factors of their type's newest revision (a class it does
-- not name counts 1), and in the basis of its life. `begun` is the tool's first fitting: where an interval of
-- usage has no known start, it is taken to start there.
SELECT u.tool_id, lower(u.period) AS since, upper(u.period) AS until, u.metres, u.hours, weighted.effective,
       (SELECT min(lower(f.period)) FROM fittings f WHERE f.tool_id = u.tool_id) AS begun
FROM usage u
JOIN tools t USING (tool_id)
JOIN tool_types tt USING (tool_type_id)
JOIN tool_type_revisions r ON r.tool_type_id = tt.tool_type_id AND r.revision = tt.revision
CROSS JOIN LATERAL (
    SELECT CASE WHEN bool_and(amount ->> (r.document ->> 'life_basis') IS NOT NULL) THEN
               sum((amount ->> (r.document ->> 'life_basis'))::double precision * mix.factor) END AS effective
    FROM jsonb_array_elements(u.amounts) amount
    CROSS JOIN LATERAL (
        SELECT coalesce(sum(share::double precision
                            * coalesce((r.document -> 'ground_factors' ->> class)::double precision, 1)), 1) AS factor
        FROM jsonb_each_text(CASE jsonb_typeof(amount -> 'ground') WHEN 'object' THEN amount -> 'ground' ELSE '{}' END)
             AS g(class, share)
    ) mix
) weighted
WHERE u.tool_id = ANY(%(tool_ids)s) AND (lower(u.period) IS NULL OR lower(u.period) < %(at)s)
ORDER BY u.tool_id, lower(u.period) NULLS FIRST
