-- Exports of which every inspection is assessed or has failed are done.
UPDATE gauge_exports e
SET state = 'done', finished_at = now()
WHERE e.state = 'assessing' AND (%(export_id)s::uuid IS NULL OR e.export_id = %(export_id)s)
  AND NOT EXISTS (SELECT FROM inspection_sources s JOIN inspections i USING (inspection_id)
                  WHERE s.export_id = e.export_id AND i.state = 'accepted')
