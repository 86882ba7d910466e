-- The tables by year, for one year.
SELECT make_partitions(%(year)s, %(year)s)
