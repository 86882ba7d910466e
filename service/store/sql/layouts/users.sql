-- Exports that were read by a layout, or wait to be.
SELECT export_id FROM gauge_exports WHERE layout = %(code)s AND layout_revision > 0 AND state <> 'receiving' LIMIT 10
