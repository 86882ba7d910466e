-- Inspections of the tool from a moment on, until before another where it is given, with readings that name a component.
SELECT i.inspection_id, i.reference, i.stage, i.taken_at
FROM inspections i
WHERE i.tool_id = %(tool_id)s AND i.taken_at >= %(since)s AND (%(until)s::timestamptz IS NULL OR i.taken_at < %(until)s)
  AND i.state <> 'withdrawn' AND i.inspection_id <> %(inspection_id)s
  AND EXISTS (SELECT FROM readings r
              WHERE r.taken_at = i.taken_at AND r.inspection_id = i.inspection_id
                AND r.inspection_version = i.inspection_version AND r.component_id = %(component_id)s)
ORDER BY i.taken_at, i.stage, i.reference
LIMIT 100
