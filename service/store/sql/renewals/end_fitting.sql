UPDATE fittings SET period = tstzrange(lower(period), %(until)s) WHERE fitting_id = %(fitting_id)s
