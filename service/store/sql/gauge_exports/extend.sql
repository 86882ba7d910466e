-- Hold it longer, and say how far it is.
UPDATE gauge_exports
SET lease_until = clock_timestamp() + %(lease)s, rows_total = greatest(rows_total, %(total)s),
    rows_accepted = greatest(rows_accepted, %(accepted)s)
WHERE export_id = %(export_id)s AND claim = %(claim)s
