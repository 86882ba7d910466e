-- What refers to a component, at most 20 of each kind. Readings have no index by component: what was assessed
-- is found by its sizes, the rest among the few inspections that wait or failed.
(SELECT 'fitting' AS kind, f.fitting_id::text || ' in ' || t.serial AS key
 FROM fittings f JOIN tools t USING (tool_id) WHERE f.component_id = %(component_id)s LIMIT 20)
UNION ALL
(SELECT 'inspection', i.reference || ' ' || i.stage || ' of ' || t.serial
 FROM inspections i JOIN tools t USING (tool_id)
 WHERE i.inspection_id IN (
     SELECT s.inspection_id FROM sizes s WHERE s.component_id = %(component_id)s
     UNION
     SELECT v.inspection_id FROM inspection_versions v
     WHERE v.renewals @> jsonb_build_array(jsonb_build_object('component_id', %(component_id)s::integer))
     UNION
     SELECT w.inspection_id FROM inspections w
     WHERE w.state IN ('accepted', 'failed')
       AND EXISTS (SELECT FROM readings r
                   WHERE r.taken_at = w.taken_at AND r.inspection_id = w.inspection_id
                     AND r.component_id = %(component_id)s))
 LIMIT 20)
