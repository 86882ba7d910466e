-- The fittings that an inspection's renewals put in.
SELECT f.fitting_id, f.part, f.position, f.component_id, c.serial AS component, lower(f.period) AS since,
       upper(f.period) AS until, f.removed_to
FROM fittings f
LEFT JOIN components c USING (component_id)
WHERE f.inspection_id = %(inspection_id)s
ORDER BY f.part, f.position
