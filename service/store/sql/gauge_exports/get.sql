SELECT e.export_id, e.layout, e.layout_revision, e.on_fault, e.on_existing, e.site_id, e.file_name, e.sha256, e.size_bytes,
       e.state, e.rows_total, e.rows_accepted, e.rows_faulty, e.inspections_total, e.problem, e.received_at,
       e.finished_at, e.attempts
FROM gauge_exports e
WHERE e.export_id = %(export_id)s AND e.state <> 'receiving'
