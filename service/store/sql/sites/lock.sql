-- FOR NO KEY UPDATE: writers of tools, whose key check takes KEY SHARE here, are not in the way.
SELECT site_id, code, name, time_zone, version FROM sites WHERE code = %(code)s FOR NO KEY UPDATE
