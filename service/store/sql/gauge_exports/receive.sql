-- All bytes are there: the export waits for a worker.
UPDATE gauge_exports
SET sha256 = %(sha256)s, size_bytes = %(size_bytes)s, state = 'received', received_at = now(), run_at = now()
WHERE export_id = %(export_id)s AND state = 'receiving'
