-- The earlier inspection that one measures again, and which features it measured.
SELECT i.inspection_id, i.taken_at,
       ARRAY(SELECT DISTINCT c.code FROM readings r JOIN codes c ON c.code_id = r.feature_id
             WHERE r.taken_at = i.taken_at AND r.inspection_id = i.inspection_id
               AND r.inspection_version = i.inspection_version) AS features
FROM inspections i
WHERE i.tool_id = %(tool_id)s AND i.reference = %(remeasures)s AND i.stage = %(stage)s AND i.state <> 'withdrawn'
