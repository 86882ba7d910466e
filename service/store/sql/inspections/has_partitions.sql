-- Whether readings of a year have a table to go to, as other transactions see it.
SELECT to_regclass('readings_' || %(year)s::text) IS NOT NULL
