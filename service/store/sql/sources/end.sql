-- These sources no longer hold from a version on.
UPDATE inspection_sources
SET until_version = %(until_version)s
WHERE inspection_id = %(inspection_id)s AND source = ANY(%(sources)s) AND until_version IS NULL
