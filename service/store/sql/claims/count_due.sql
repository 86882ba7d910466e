SELECT count(*)
FROM tool_work
WHERE run_at <= clock_timestamp() AND (claim IS NULL OR lease_until < clock_timestamp())
