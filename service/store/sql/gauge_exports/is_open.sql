-- Does an inspection of this export still wait?
SELECT EXISTS (SELECT FROM inspection_sources s JOIN inspections i USING (inspection_id)
               WHERE s.export_id = %(export_id)s AND i.state = 'accepted')
