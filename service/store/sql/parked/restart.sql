-- As if it had just been accepted, on the inputs it was accepted with.
UPDATE inspections
SET state = 'accepted', problem = NULL, updated_at = now()
WHERE inspection_id = %(inspection_id)s AND state = 'failed'
RETURNING inspection_id
