-- What went wrong before counts no more: the tool is due at once, together with others.
UPDATE tool_work SET attempts = 0, suspect = NULL, run_at = now() WHERE tool_id = %(tool_id)s AND claim IS NULL
