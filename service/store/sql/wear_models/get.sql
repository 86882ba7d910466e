-- One version of a type's learned wear: a given one, else the newest.
SELECT t.code, m.version, m.recorded_at, m.revision, m.document
FROM tool_types t
JOIN wear_models m USING (tool_type_id)
WHERE t.code = %(code)s AND (%(version)s::integer IS NULL OR m.version = %(version)s)
ORDER BY m.version DESC
LIMIT 1
