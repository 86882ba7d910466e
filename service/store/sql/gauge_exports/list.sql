SELECT e.export_id, e.layout, e.layout_revision, e.on_fault, e.on_existing, e.site_id, e.file_name, e.sha256, e.size_bytes,
       e.state, e.rows_total, e.rows_accepted, e.rows_faulty, e.inspections_total, e.problem, e.received_at,
       e.finished_at, e.attempts
FROM gauge_exports e
WHERE e.state <> 'receiving' AND (%(site_id)s::integer IS NULL OR e.site_id = %(site_id)s)
  AND (%(layout)s::text IS NULL OR e.layout = %(layout)s) AND (%(state)s::text IS NULL OR e.state = %(state)s)
  AND (%(after)s::uuid IS NULL OR e.export_id > %(after)s)
ORDER BY e.export_id
LIMIT %(limit)s
