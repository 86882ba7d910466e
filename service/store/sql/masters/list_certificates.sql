SELECT m.master_id, m.serial, c.revision, c.recorded_at, c.sent
FROM masters m JOIN master_certificates c USING (master_id)
WHERE m.serial = %(serial)s AND c.revision > %(after)s
ORDER BY c.revision
LIMIT %(limit)s
