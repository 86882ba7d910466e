-- The component of the fitting that ended where another begins.
SELECT f.component_id FROM fittings f
WHERE f.tool_id = %(tool_id)s AND f.part = %(part)s AND f.position = %(position)s AND upper(f.period) = %(at)s
