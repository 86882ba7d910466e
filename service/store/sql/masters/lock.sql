SELECT m.master_id, m.serial, c.revision, c.recorded_at, c.sent
FROM masters m JOIN master_certificates c USING (master_id, revision)
WHERE m.serial = %(serial)s
FOR UPDATE OF m
