SELECT site_id, code, name, time_zone, version
FROM sites
WHERE (%(after)s::text IS NULL OR code > %(after)s)
  AND (%(site_id)s::integer IS NULL OR site_id = %(site_id)s)
ORDER BY code
LIMIT %(limit)s
