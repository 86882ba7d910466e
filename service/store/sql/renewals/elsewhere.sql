-- Where else a component sits in a period.
SELECT f.fitting_id, t.serial AS tool, f.part, f.position, lower(f.period) AS since, upper(f.period) AS until
FROM fittings f
JOIN tools t USING (tool_id)
WHERE f.component_id = %(component_id)s AND f.period && tstzrange(%(since)s, %(until)s)
ORDER BY lower(f.period)
LIMIT 1
