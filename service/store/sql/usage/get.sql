-- Entries of the usage ledger, or what inspections said was run.
SELECT u.usage_id, u.tool_id, t.serial AS tool, t.site_id, lower(u.period) AS since, upper(u.period) AS until,
       u.metres, u.hours, u.amounts, u.rate_m_h, u.pressure_bar, u.inspection_id, i.reference, i.stage, u.recorded_at
FROM usage u
JOIN tools t USING (tool_id)
LEFT JOIN inspections i USING (inspection_id)
WHERE u.usage_id = ANY(%(usage_ids)s)
