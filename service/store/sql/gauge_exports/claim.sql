-- Take the export that is due the longest: new, or of a worker whose lease ran out.
WITH due AS (
    SELECT export_id
    FROM gauge_exports
    WHERE state IN ('received', 'reading') AND run_at <= clock_timestamp()
      AND (claim IS NULL OR lease_until < clock_timestamp())
    ORDER BY run_at, export_id
    LIMIT 1
    FOR UPDATE SKIP LOCKED
)
UPDATE gauge_exports e
SET state = 'reading', claim = %(claim)s, lease_until = clock_timestamp() + %(lease)s, attempts = e.attempts + 1,
    rows_total = 0, rows_accepted = 0, rows_faulty = 0
FROM due
WHERE e.export_id = due.export_id
RETURNING e.export_id, e.layout, e.layout_revision, e.on_fault, e.on_existing, e.site_id, e.attempts,
          false AS is_coming
