SELECT serial, master_id FROM masters WHERE serial = ANY(%(names)s)
