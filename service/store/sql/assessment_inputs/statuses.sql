SELECT s.tool_id, s.sequence, s.state, s.inspection_id, s.inspected_at, s.retained, s.service_loss, s.basis, s.ground,
       s.ground_factor, g.code AS governing, s.p10, s.p50, s.p90, s.used_since, s.as_of, s.due_p10, s.due_p50, s.due_p90, s.renew,
       s.parts, s.remarks, s.wear_model, told.document ->> 'tool_type' AS told_tool_type, told.document ->> 'site' AS told_site
FROM tool_status s
LEFT JOIN codes g ON g.code_id = s.governing
LEFT JOIN changes told ON told.tool_id = s.tool_id AND told.sequence = s.sequence
WHERE s.tool_id = ANY (%(tools)s)
