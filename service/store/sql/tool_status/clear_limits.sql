DELETE FROM tool_status_limits WHERE tool_id = ANY (%(tools)s)
