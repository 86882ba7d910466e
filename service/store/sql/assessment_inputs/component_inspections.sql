-- The inspections of other tools that measured one of the components.
SELECT DISTINCT i.tool_id
FROM sizes s
JOIN inspections i ON i.inspection_id = s.inspection_id AND i.assessment_version = s.version
WHERE s.component_id = ANY (%(components)s) AND i.state NOT IN ('withdrawn', 'failed') AND NOT i.tool_id = ANY (%(tools)s)
