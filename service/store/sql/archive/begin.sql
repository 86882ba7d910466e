-- From here on nothing is written into the year.
INSERT INTO archived_years (year, folder) VALUES (%(year)s, %(folder)s)
ON CONFLICT (year) DO UPDATE SET begun_at = now(), folder = excluded.folder WHERE archived_years.archived_at IS NULL
