-- What holds a position at a moment, and where the next fitting of that position begins.
SELECT f.fitting_id, f.component_id, c.serial AS component, lower(f.period) AS since, upper(f.period) AS until,
       f.inspection_id,
       (SELECT min(lower(n.period)) FROM fittings n
        WHERE n.tool_id = %(tool_id)s AND n.part = %(part)s AND n.position = %(position)s
          AND lower(n.period) > %(at)s) AS next_from
FROM (SELECT) AS always
LEFT JOIN (fittings f LEFT JOIN components c USING (component_id))
    ON f.tool_id = %(tool_id)s AND f.part = %(part)s AND f.position = %(position)s AND f.period @> %(at)s::timestamptz
