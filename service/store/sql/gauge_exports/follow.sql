-- Hold an export whose bytes are still coming, the newest of those that nobody has followed yet; its state stays.
WITH coming AS (
    SELECT export_id
    FROM gauge_exports
    WHERE state = 'receiving' AND lease_until IS NULL AND received_at > clock_timestamp() - %(age)s::interval
    ORDER BY received_at DESC
    LIMIT 1
    FOR UPDATE SKIP LOCKED
)
UPDATE gauge_exports e
SET claim = %(claim)s, lease_until = clock_timestamp() + %(lease)s
FROM coming
WHERE e.export_id = coming.export_id
RETURNING e.export_id, e.layout, e.layout_revision, e.on_fault, e.on_existing, e.site_id, e.attempts, true AS is_coming
