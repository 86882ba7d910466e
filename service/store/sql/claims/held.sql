-- Which of some tools are still there and held by a claim.
SELECT tool_id FROM tool_work WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s)
