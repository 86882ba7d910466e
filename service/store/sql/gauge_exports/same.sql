-- The same bytes, read the same way, that were not withdrawn and did not fail since.
SELECT export_id
FROM gauge_exports
WHERE sha256 = %(sha256)s AND layout = %(layout)s AND layout_revision = %(layout_revision)s
  AND on_fault = %(on_fault)s AND on_existing = %(on_existing)s AND site_id IS NOT DISTINCT FROM %(site_id)s::integer
  AND state NOT IN ('receiving', 'withdrawn', 'failed')
ORDER BY received_at
LIMIT 1
