SELECT state <> 'receiving' FROM gauge_exports WHERE export_id = %(export_id)s
