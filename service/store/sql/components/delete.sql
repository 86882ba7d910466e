DELETE FROM components WHERE component_id = %(component_id)s
