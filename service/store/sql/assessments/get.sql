-- One assessment: a given version, else the newest. `assessment` columns are NULL where there is none.
SELECT i.inspection_id, i.inspection_version AS current_version, i.state AS inspection_state, i.problem,
       t.serial AS tool, t.site_id, i.reference, i.stage, s.time_zone,
       a.version, a.inspection_version, a.inputs_as_of, a.taken_at, a.computed_at, a.method,
       tt.code AS tool_type, a.revision, a.wear_model, a.state, a.loss, a.loss_standard_uncertainty, a.loss_by_rule,
       a.loss_by_flow, a.loss_model, a.service_loss, a.hammer_pressure_bar, a.consumption_m3_min, a.loss_by_fit,
       a.observed_retained, a.observed_u, a.observed_entries, a.observed_baseline_entries, a.observed_pressure_bar,
       a.observed_baseline_pressure_bar, a.basis, a.ground, a.ground_factor,
       g.code AS governing, a.due_p10, a.due_p50, a.due_p90, a.offsets, a.checks, a.parts, a.remarks
FROM inspections i
JOIN tools t USING (tool_id)
JOIN sites s USING (site_id)
LEFT JOIN assessments a ON a.inspection_id = i.inspection_id
     AND a.version = coalesce(%(version)s::integer,
                              (SELECT max(n.version) FROM assessments n WHERE n.inspection_id = i.inspection_id))
LEFT JOIN tool_types tt ON tt.tool_type_id = a.tool_type_id
LEFT JOIN codes g ON g.code_id = a.governing
WHERE i.inspection_id = %(inspection_id)s
