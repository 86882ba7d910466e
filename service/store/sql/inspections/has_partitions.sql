-- Whether readings of a year have a table to go to, as other transactions see it, and whether that year is archived.
SELECT to_regclass('readings_' || %(year)s::text) IS NOT NULL,
       EXISTS (SELECT FROM archived_years WHERE year = %(year)s::integer)
