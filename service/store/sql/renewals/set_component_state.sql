UPDATE components
SET state = %(state)s, version = version + 1, updated_at = now()
WHERE component_id = %(component_id)s AND state <> %(state)s
