-- A failed attempt: the tools are due again after a pause that doubles, with jitter so that they do not come back at once.
WITH mine AS (
    SELECT tool_id FROM tool_work WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s) ORDER BY tool_id FOR UPDATE
)
UPDATE tool_work w
SET claim = NULL, lease_until = NULL,
    run_at = clock_timestamp() + least(%(longest)s, %(pause)s * power(2, w.attempts - 1)) * (0.5 + random())
FROM mine
WHERE w.tool_id = mine.tool_id
