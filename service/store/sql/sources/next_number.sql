SELECT coalesce(max(source), 0) + 1 FROM inspection_sources WHERE inspection_id = %(inspection_id)s
