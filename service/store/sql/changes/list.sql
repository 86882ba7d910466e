-- The feed after a place in it. The lock that `add` holds makes the order of `seq` that of the commits, so that nothing
-- can still come before what is read here.
SELECT seq, changed_at, document
FROM changes
WHERE seq > %(after)s
  AND (%(site)s::text IS NULL OR document ->> 'site' = %(site)s)
  AND (%(of_site)s::text IS NULL OR document ->> 'site' = %(of_site)s)
  AND (%(tool_type)s::text IS NULL OR document ->> 'tool_type' = %(tool_type)s)
  AND (%(tool)s::text IS NULL OR document ->> 'tool' = %(tool)s)
ORDER BY seq
LIMIT %(limit)s
