DELETE FROM fittings WHERE fitting_id = %(fitting_id)s
