-- Its status and waiting work go with it.
DELETE FROM tools WHERE tool_id = %(tool_id)s
