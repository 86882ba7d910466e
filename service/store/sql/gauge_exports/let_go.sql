-- It does not come fast enough to be waited for. It is not followed again, and claimed when it is there.
UPDATE gauge_exports
SET claim = NULL, lease_until = clock_timestamp()
WHERE export_id = %(export_id)s AND claim = %(claim)s AND state IN ('receiving', 'received')
