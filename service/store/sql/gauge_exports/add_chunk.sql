INSERT INTO gauge_export_chunks (export_id, chunk, bytes)
VALUES (%(export_id)s, %(chunk)s, %(bytes)b)
