-- The last version of many inspections: it says nothing new, and what they said before stays readable.
WITH inspection AS (
    UPDATE inspections
    SET inspection_version = inspection_version + 1, inputs_as_of = %(at)s, state = 'withdrawn', problem = NULL,
        updated_at = now()
    WHERE inspection_id = ANY(%(inspection_ids)s) AND state <> 'withdrawn'
    RETURNING inspection_id, inspection_version, taken_at
), run AS (
    DELETE FROM usage USING inspection WHERE usage.inspection_id = inspection.inspection_id
)
INSERT INTO inspection_versions
    (inspection_id, inspection_version, taken_at, inputs_as_of, cause, remeasures, final, checks, renewals, setups,
     reversals)
SELECT i.inspection_id, i.inspection_version, i.taken_at, %(at)s, 'withdrawn', v.remeasures, v.final, v.checks,
       v.renewals, v.setups, v.reversals
FROM inspection i
JOIN inspection_versions v ON v.inspection_id = i.inspection_id AND v.inspection_version = i.inspection_version - 1
