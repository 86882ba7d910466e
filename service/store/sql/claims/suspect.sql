-- Written before each inspection of a tool that killed its workers: what stands here when the next one looks, did it.
UPDATE tool_work SET suspect = %(inspection_id)s WHERE claim = %(claim)s AND tool_id = %(tool_id)s
