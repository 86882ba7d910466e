-- The dates were looked at today and did not move: nothing visible, but tomorrow's refresh counts from here.
UPDATE tool_status s SET dates_on = w.dates_on
FROM unnest(%(tools)s::integer[], %(days)s::date[]) AS w (tool_id, dates_on)
WHERE s.tool_id = w.tool_id AND s.dates_on IS DISTINCT FROM w.dates_on
