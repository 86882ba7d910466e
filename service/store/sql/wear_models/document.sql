SELECT document FROM wear_models WHERE tool_type_id = %(tool_type_id)s AND version = %(version)s
