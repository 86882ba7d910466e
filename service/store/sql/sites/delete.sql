DELETE FROM sites WHERE site_id = %(site_id)s
