UPDATE gauge_exports
SET state = 'withdrawn', finished_at = now(), claim = NULL, lease_until = NULL
WHERE export_id = %(export_id)s
