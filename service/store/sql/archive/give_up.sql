DELETE FROM archived_years WHERE year = %(year)s AND archived_at IS NULL
