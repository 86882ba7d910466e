DELETE FROM gauge_export_faults WHERE export_id = %(export_id)s
