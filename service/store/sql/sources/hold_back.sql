-- What a source said that another one had said already.
UPDATE inspection_sources
SET held_back = %(held_back)s::jsonb
WHERE inspection_id = %(inspection_id)s AND source = %(source)s
