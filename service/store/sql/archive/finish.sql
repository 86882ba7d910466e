UPDATE archived_years SET archived_at = now(), files = %(files)s WHERE year = %(year)s
