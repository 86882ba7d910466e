-- Tools that a component has left, at a moment or later.
SELECT n.tool_id, n.since
FROM unnest(%(tool_ids)s::integer[], %(from_times)s::timestamptz[]) AS n(tool_id, since)
WHERE EXISTS (SELECT FROM fittings f WHERE f.tool_id = n.tool_id AND f.component_id IS NOT NULL
              AND f.period && tstzrange(n.since, NULL) AND NOT upper_inf(f.period))
