-- What the tools of some sites ran on in the 90 days before some moments, for tools that have no ground on record.
SELECT (w.n - 1)::integer AS asked, g.key AS ground,
       sum(coalesce((a ->> %(basis)s)::double precision, 0) * g.value::text::double precision
           * CASE WHEN isempty(u.period * w.past) THEN 0
                  WHEN lower_inf(u.period) THEN 1
                  ELSE extract(epoch FROM upper(u.period * w.past) - lower(u.period * w.past))
                       / extract(epoch FROM upper(u.period) - lower(u.period)) END)::double precision AS amount
FROM (
    SELECT n, site_id, tstzrange(moment - interval '90 days', moment) AS past
    FROM unnest(%(sites)s::integer[], %(moments)b::timestamptz[]) WITH ORDINALITY AS asked (site_id, moment, n)
) AS w
JOIN tools t USING (site_id)
JOIN usage u ON u.tool_id = t.tool_id AND u.period && w.past
CROSS JOIN jsonb_array_elements(u.amounts) AS a
CROSS JOIN jsonb_each(CASE jsonb_typeof(a -> 'ground') WHEN 'object' THEN a -> 'ground' ELSE '{}' END) AS g
GROUP BY w.n, g.key
HAVING sum(coalesce((a ->> %(basis)s)::double precision, 0)) > 0
ORDER BY w.n, g.key
