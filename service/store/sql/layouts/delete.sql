DELETE FROM layouts WHERE layout_id = %(layout_id)s
