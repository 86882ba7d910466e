-- The last step of the transaction that loads. No row: another worker has taken over.
UPDATE gauge_exports
SET state = %(state)s, rows_total = %(total)s, rows_accepted = %(accepted)s, rows_faulty = %(faulty)s,
    inspections_total = %(inspections)s, problem = %(problem)s::jsonb, claim = NULL, lease_until = NULL,
    finished_at = CASE WHEN %(state)s = 'assessing' THEN NULL ELSE now() END
WHERE export_id = %(export_id)s AND claim = %(claim)s AND state = 'reading'
RETURNING export_id
