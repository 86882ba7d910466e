-- Where components of a tool went that sat in it, or were named in its readings, at some moment or later: what is
-- known of them changes with the tool's inspections.
SELECT f.tool_id, min(greatest(lower(f.period), %(since)s))
FROM fittings f
WHERE f.tool_id <> %(tool_id)s AND f.period && tstzrange(%(since)s, NULL)
  AND f.component_id IN (
      SELECT h.component_id FROM fittings h
      WHERE h.tool_id = %(tool_id)s AND h.period && tstzrange(%(since)s, NULL) AND h.component_id IS NOT NULL
      UNION ALL
      SELECT unnest(%(component_ids)s::integer[]))
GROUP BY f.tool_id
ORDER BY f.tool_id
