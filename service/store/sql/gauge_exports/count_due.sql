SELECT count(*) FROM gauge_exports
WHERE state IN ('received', 'reading') AND run_at <= clock_timestamp()
  AND (claim IS NULL OR lease_until < clock_timestamp())
