-- A failed attempt: the tools are due again after a pause that doubles, with jitter so that they do not come back at once.
UPDATE tool_work
SET claim = NULL, lease_until = NULL,
    run_at = clock_timestamp() + least(%(longest)s, %(pause)s * power(2, attempts - 1)) * (0.5 + random())
WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s)
