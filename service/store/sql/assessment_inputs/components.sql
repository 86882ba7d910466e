SELECT component_id, serial, part, set_code FROM components WHERE component_id = ANY (%(components)s)
