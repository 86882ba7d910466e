UPDATE fittings
SET part = %(part)s, position = %(position)s, component_id = %(component_id)s, period = tstzrange(%(since)s, %(until)s)
WHERE fitting_id = %(fitting_id)s
