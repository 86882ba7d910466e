-- Inspections that carry no usage any more.
DELETE FROM usage WHERE inspection_id = ANY(%(inspection_ids)s)
