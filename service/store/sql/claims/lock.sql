-- In the order of tools, so that two workers never wait for each other.
SELECT tool_id FROM tool_work WHERE tool_id = ANY (%(tools)s) ORDER BY tool_id FOR UPDATE
