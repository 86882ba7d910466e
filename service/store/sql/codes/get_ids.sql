-- `settled` is false for a row of a transaction still open: this one's own, which may be rolled back.
SELECT code, code_id, pg_xact_status(xmin::text::xid8) IS DISTINCT FROM 'in progress' AS settled
FROM codes
WHERE code = ANY(%(codes)s::text[])
