SELECT site_id, code, name, time_zone, version FROM sites WHERE code = %(code)s
