-- Usage that an inspection carries and that shares time with other usage of its tool, each pair once.
SELECT u.inspection_id, t.serial AS tool, i.reference, i.stage, lower(u.period) AS since, upper(u.period) AS until,
       o.usage_id AS other_id, o.inspection_id AS other_inspection_id, j.reference AS other_reference,
       lower(o.period) AS other_since, upper(o.period) AS other_until
FROM unnest(%(tool_ids)s::integer[], %(from_times)s::timestamptz[]) AS c(tool_id, since)
JOIN usage u ON u.tool_id = c.tool_id AND u.period && tstzrange(c.since, NULL) AND u.inspection_id IS NOT NULL
JOIN usage o ON o.tool_id = u.tool_id AND o.period && u.period AND o.usage_id <> u.usage_id
JOIN tools t ON t.tool_id = u.tool_id
JOIN inspections i ON i.inspection_id = u.inspection_id
LEFT JOIN inspections j ON j.inspection_id = o.inspection_id
WHERE o.inspection_id IS NULL OR o.usage_id > u.usage_id
ORDER BY t.serial, lower(u.period), lower(o.period)
LIMIT 100
