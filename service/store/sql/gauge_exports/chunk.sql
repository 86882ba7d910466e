SELECT bytes FROM gauge_export_chunks
WHERE export_id = %(export_id)s AND chunk = %(chunk)s
