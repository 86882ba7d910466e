-- The newest year whose clearances have gone to files and that a span of time reaches into.
SELECT max(year)
FROM archived_years
WHERE archived_at IS NOT NULL
  AND (%(since)s::timestamptz IS NULL OR make_timestamptz(year + 1, 1, 1, 0, 0, 0, 'UTC') > %(since)s)
  AND (%(until)s::timestamptz IS NULL OR make_timestamptz(year, 1, 1, 0, 0, 0, 'UTC') < %(until)s)
