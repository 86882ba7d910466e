-- Where components sit at a moment or change place at it, with the order in time of what put them in and took them out.
SELECT c.serial, c.component_id, c.part, c.tool_type_id, f.position, lower(f.period) AS since,
       upper(f.period) AS until, i.inspection_id AS put_by, i.stage AS put_stage, i.reference AS put_reference,
       j.inspection_id AS ended_by, j.stage AS ended_stage, j.reference AS ended_reference
FROM components c
LEFT JOIN fittings f ON f.component_id = c.component_id AND f.tool_id = %(tool_id)s
    AND lower(f.period) <= %(at)s AND (upper_inf(f.period) OR upper(f.period) >= %(at)s)
LEFT JOIN inspections i ON i.inspection_id = f.inspection_id
LEFT JOIN fittings g ON g.tool_id = f.tool_id AND g.part = f.part AND g.position = f.position
    AND lower(g.period) = upper(f.period)
LEFT JOIN inspections j ON j.inspection_id = g.inspection_id
WHERE c.serial = ANY(%(serials)s)
