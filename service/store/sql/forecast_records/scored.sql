UPDATE wear_learning SET scored_at = clock_timestamp(), scored_sizes = %(sizes)s WHERE tool_type_id = %(tool_type_id)s
