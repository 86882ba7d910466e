UPDATE gauge_exports
SET state = 'received', attempts = 0, problem = NULL, finished_at = NULL, run_at = now(), claim = NULL,
    lease_until = NULL
WHERE export_id = %(export_id)s AND state = 'failed'
