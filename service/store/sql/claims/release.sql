-- More than one batch can hold: due again at once, and this was no attempt.
UPDATE tool_work SET claim = NULL, lease_until = NULL, attempts = attempts - 1
WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s)
