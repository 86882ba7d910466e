-- When a tool was first inspected: from here on its results have to be computed again.
SELECT min(taken_at) FROM inspections WHERE tool_id = %(tool_id)s AND state <> 'withdrawn'
