SELECT i.tool_id, a.remarks
FROM inspections i
JOIN assessments a ON a.inspection_id = i.inspection_id AND a.version = i.assessment_version
WHERE i.inspection_id = ANY (%(inspections)b)
