-- The row is locked; what is the same is not written by the caller.
UPDATE components
SET part = %(part)s, tool_type_id = %(tool_type_id)s, site_id = %(site_id)s, set_code = %(set_code)s,
    state = %(state)s, version = version + 1, updated_at = now()
WHERE component_id = %(component_id)s
