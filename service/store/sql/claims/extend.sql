UPDATE tool_work
SET lease_until = clock_timestamp() + %(lease)s
WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s)
