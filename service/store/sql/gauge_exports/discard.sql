-- What came of an upload that did not become an export.
DELETE FROM gauge_exports
WHERE export_id = %(export_id)s AND state = 'receiving'
