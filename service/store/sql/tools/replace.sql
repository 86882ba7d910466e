-- The row is locked; what is the same is not written by the caller.
UPDATE tools
SET tool_type_id = %(tool_type_id)s, site_id = %(site_id)s, air_setting = %(air_setting)s, history = %(history)s,
    commissioned_on = %(commissioned_on)s, note = %(note)s, version = version + 1, updated_at = now()
WHERE tool_id = %(tool_id)s
