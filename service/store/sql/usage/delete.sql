DELETE FROM usage WHERE usage_id = %(usage_id)s
