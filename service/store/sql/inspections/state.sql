-- What a client that waits wants to know: is the newest version done?
SELECT i.state, i.problem, i.inspection_version,
       EXISTS (SELECT FROM assessments a
               WHERE a.inspection_id = i.inspection_id AND a.version = i.assessment_version
                 AND a.inspection_version = i.inspection_version) AS is_assessed
FROM inspections i
WHERE i.inspection_id = %(inspection_id)s
