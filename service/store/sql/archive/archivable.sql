-- Years before one that still have a table of readings.
SELECT substring(c.relname FROM '\d+$')::integer AS year
FROM pg_inherits h
JOIN pg_class c ON c.oid = h.inhrelid
WHERE h.inhparent = 'readings'::regclass AND substring(c.relname FROM '\d+$')::integer < %(before)s
ORDER BY year
