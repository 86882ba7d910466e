-- Park one inspection with its problem, unless it has been corrected meanwhile.
UPDATE inspections
SET state = 'failed', problem = %(problem)s, updated_at = now()
WHERE inspection_id = %(inspection_id)s AND inspection_version = %(inspection_version)s AND state <> 'withdrawn'
