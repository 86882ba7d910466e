INSERT INTO changes (tool_id, sequence, changed_at, document)
SELECT tool_id, sequence, now(), document
FROM jsonb_to_recordset(%(rows)s::jsonb) AS w (tool_id integer, sequence bigint, document jsonb, n integer)
ORDER BY n
