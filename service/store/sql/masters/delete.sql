DELETE FROM masters WHERE master_id = %(master_id)s
