UPDATE fittings SET removed_to = %(removed_to)s WHERE fitting_id = %(fitting_id)s AND removed_to IS NOT NULL
