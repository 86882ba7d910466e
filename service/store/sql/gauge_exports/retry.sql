UPDATE gauge_exports
SET state = 'received', attempts = 0, problem = NULL, finished_at = NULL, run_at = now(), claim = NULL,
    lease_until = NULL, rows_total = 0, rows_accepted = 0, rows_faulty = 0
WHERE export_id = %(export_id)s AND state = 'failed'
