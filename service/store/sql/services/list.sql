-- As-found inspections of a type, newest first, after which parts of its fits were changed before the tool ran on: the
-- change is by renewals there or as left, or by fittings posted by themselves within a few days.
SELECT i.inspection_id, t.tool_id, t.serial AS tool, i.taken_at, least(i.taken_at + %(within)s, later.taken_at) AS until,
       later.inspection_id AS next_id
FROM tools t
JOIN inspections i USING (tool_id)
JOIN sites s USING (site_id)
LEFT JOIN LATERAL (
    SELECT n.taken_at, n.inspection_id
    FROM inspections n
    WHERE n.tool_id = i.tool_id AND n.stage = 'as_found' AND n.state <> 'withdrawn' AND n.taken_at > i.taken_at
    ORDER BY n.taken_at, n.inspection_id
    LIMIT 1
) later ON true
WHERE t.tool_type_id = %(tool_type_id)s AND i.stage = 'as_found' AND i.state = 'assessed'
  AND (%(site_id)s::integer IS NULL OR t.site_id = %(site_id)s)
  AND (%(site)s::text IS NULL OR s.code = %(site)s)
  AND (%(since)s::timestamptz IS NULL OR i.taken_at >= %(since)s)
  AND (%(until)s::timestamptz IS NULL OR i.taken_at < %(until)s)
  AND EXISTS (
      SELECT 1
      FROM fittings f
      WHERE f.tool_id = i.tool_id AND f.part = ANY (%(parts)s)
        AND (lower(f.period) > i.taken_at OR lower(f.period) = i.taken_at AND f.inspection_id IS NOT NULL)
        AND lower(f.period) < least(i.taken_at + %(within)s, later.taken_at))
ORDER BY i.taken_at DESC, i.inspection_id
LIMIT %(limit)s
