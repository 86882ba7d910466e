-- Take one tool of those that have failed repeatedly.
WITH due AS (
    SELECT tool_id
    FROM tool_work
    WHERE run_at <= clock_timestamp() AND attempts >= %(patience)s
      AND (claim IS NULL OR lease_until < clock_timestamp())
    ORDER BY run_at, tool_id
    LIMIT 1
    FOR UPDATE SKIP LOCKED
)
UPDATE tool_work w
SET claimed_from = least(w.claimed_from, w.dirty_from), dirty_from = NULL, claim = %(claim)s,
    lease_until = clock_timestamp() + %(lease)s, attempts = w.attempts + 1
FROM due
WHERE w.tool_id = due.tool_id
RETURNING w.tool_id, w.claimed_from, w.attempts, w.suspect
