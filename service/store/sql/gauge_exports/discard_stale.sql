-- Uploads that nobody finishes any more.
DELETE FROM gauge_exports
WHERE state = 'receiving' AND received_at < now() - %(age)s::interval
