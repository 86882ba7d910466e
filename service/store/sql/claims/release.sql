-- More than one batch can hold: due again at once, and this was no attempt.
WITH mine AS (
    SELECT tool_id FROM tool_work WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s) ORDER BY tool_id FOR UPDATE
)
UPDATE tool_work w SET claim = NULL, lease_until = NULL, attempts = w.attempts - 1
FROM mine
WHERE w.tool_id = mine.tool_id
