-- Every fitting of a tool up to a moment: who held each position when.
SELECT f.fitting_id, f.part, f.position, f.component_id, c.serial AS component, c.set_code,
       lower(f.period) AS since, upper(f.period) AS until
FROM fittings f
LEFT JOIN components c USING (component_id)
WHERE f.tool_id = %(tool_id)s AND lower(f.period) <= %(at)s
ORDER BY f.part, f.position, lower(f.period)
