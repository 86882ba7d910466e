-- An inspection carries no usage any more; what it carried is answered.
DELETE FROM usage
WHERE inspection_id = %(inspection_id)s
RETURNING lower(period) AS since, upper(period) AS until, amounts
