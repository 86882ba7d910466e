-- The columns of a table, in their order.
SELECT a.attname, format_type(a.atttypid, NULL)
FROM pg_attribute a
WHERE a.attrelid = %(table)s::text::regclass AND a.attnum > 0 AND NOT a.attisdropped
ORDER BY a.attnum
