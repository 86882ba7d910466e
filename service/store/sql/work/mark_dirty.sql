-- The tools are to be computed again from these moments on.
INSERT INTO tool_work AS w (tool_id, dirty_from)
SELECT t.tool_id, min(t.dirty_from)
FROM unnest(%(tool_ids)s::integer[], %(from_times)s::timestamptz[]) AS t(tool_id, dirty_from)
GROUP BY t.tool_id
ORDER BY t.tool_id
ON CONFLICT (tool_id) DO UPDATE
SET dirty_from = least(w.dirty_from, excluded.dirty_from), run_at = least(w.run_at, now())
