SELECT t.code, m.version, m.recorded_at, m.revision, m.document -> 'rests_on' AS rests_on
FROM tool_types t
JOIN wear_models m USING (tool_type_id)
WHERE t.code = %(code)s AND m.version > %(after)s
ORDER BY m.version
LIMIT %(limit)s
