-- What a client that waits wants to know: is this version done?
SELECT i.state, i.problem,
       EXISTS (SELECT FROM assessments a
               WHERE a.inspection_id = i.inspection_id AND a.version = i.assessment_version
                 AND a.inspection_version = i.inspection_version)
FROM inspections i
WHERE i.inspection_id = %(inspection_id)s
