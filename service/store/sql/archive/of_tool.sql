-- The newest archived year in which a tool has an inspection that stands, from a moment on.
SELECT max(y.year)
FROM archived_years y
WHERE y.archived_at IS NOT NULL
  AND EXISTS (SELECT FROM inspections i
              WHERE i.tool_id = %(tool_id)s AND i.state IN ('accepted', 'assessed')
                AND i.taken_at >= coalesce(%(since)s::timestamptz, '-infinity')
                AND i.taken_at >= make_timestamptz(y.year, 1, 1, 0, 0, 0, 'UTC')
                AND i.taken_at < make_timestamptz(y.year + 1, 1, 1, 0, 0, 0, 'UTC'))
