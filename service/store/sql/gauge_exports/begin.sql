-- An export whose bytes are about to come.
INSERT INTO gauge_exports (layout, layout_revision, on_fault, on_existing, site_id, file_name, state)
VALUES (%(layout)s, %(layout_revision)s, %(on_fault)s, %(on_existing)s, %(site_id)s, %(file_name)s, 'receiving')
RETURNING export_id
