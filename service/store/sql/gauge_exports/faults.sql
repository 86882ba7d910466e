SELECT ordinal, "row", "column", code, message, text
FROM gauge_export_faults
WHERE export_id = %(export_id)s AND ordinal > %(after)s
ORDER BY ordinal
LIMIT %(limit)s
