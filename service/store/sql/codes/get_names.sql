SELECT code, code_id, pg_xact_status(xmin::text::xid8) IS DISTINCT FROM 'in progress' AS settled
FROM codes
WHERE code_id = ANY(%(ids)s::integer[])
