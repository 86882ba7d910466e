-- The tables of this year and the next.
SELECT make_partitions(extract(year FROM now())::integer, extract(year FROM now())::integer + 1)
