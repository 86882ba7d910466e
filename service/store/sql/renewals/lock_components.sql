-- Components named by renewals, held so that they cannot be fitted elsewhere meanwhile.
SELECT component_id, serial, part, tool_type_id FROM components
WHERE serial = ANY(%(serials)s)
ORDER BY component_id
FOR NO KEY UPDATE
