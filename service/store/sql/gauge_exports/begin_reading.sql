-- Its bytes are all there: from now on it is claimed like any other.
UPDATE gauge_exports
SET state = 'reading', attempts = attempts + 1, rows_total = 0, rows_accepted = 0, rows_faulty = 0
WHERE export_id = %(export_id)s AND claim = %(claim)s AND state = 'received'
RETURNING attempts
