-- How far the inspections that came of an export are. One that was withdrawn since counts as done.
SELECT count(*) FILTER (WHERE i.state IN ('assessed', 'withdrawn')), count(*) FILTER (WHERE i.state = 'failed')
FROM (SELECT DISTINCT inspection_id FROM inspection_sources WHERE export_id = %(export_id)s) s
JOIN inspections i USING (inspection_id)
