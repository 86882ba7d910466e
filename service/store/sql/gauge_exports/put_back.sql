-- A failed attempt: due again after a pause that doubles, with jitter.
UPDATE gauge_exports
SET state = 'received', claim = NULL, lease_until = NULL,
    run_at = clock_timestamp() + %(pause)s::interval * power(2, attempts - 1) * (0.5 + random())
WHERE export_id = %(export_id)s AND claim = %(claim)s AND state = 'reading'
