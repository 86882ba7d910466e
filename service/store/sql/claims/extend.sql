WITH mine AS (
    SELECT tool_id FROM tool_work WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s) ORDER BY tool_id FOR UPDATE
)
UPDATE tool_work w
SET lease_until = clock_timestamp() + %(lease)s
FROM mine
WHERE w.tool_id = mine.tool_id
