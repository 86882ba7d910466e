SELECT g.gauge_id, g.serial, r.revision, r.recorded_at, r.sent
FROM gauges g JOIN gauge_revisions r USING (gauge_id, revision)
WHERE g.serial = %(serial)s
