INSERT INTO tool_status (tool_id, sequence, state, inspection_id, inspected_at, updated_at, retained, service_loss, basis,
                         ground, ground_factor, governing, p10, p50, p90, used_since, as_of, due_p10, due_p50, due_p90,
                         usage_log_mean, usage_log_sd, dates_on, renew, parts, remarks, wear_model)
SELECT tool_id, sequence, state, inspection_id, inspected_at, updated_at, retained, service_loss, basis, ground, ground_factor,
       governing, p10, p50, p90, used_since, as_of, due_p10, due_p50, due_p90, usage_log_mean, usage_log_sd, dates_on, renew,
       parts, remarks, wear_model
FROM jsonb_to_recordset(%(rows)s::jsonb) AS w (
    tool_id integer, sequence bigint, state text, inspection_id uuid, inspected_at timestamptz, updated_at timestamptz, retained double precision,
    service_loss double precision, basis text, ground jsonb, ground_factor double precision, governing integer,
    p10 double precision, p50 double precision, p90 double precision, used_since double precision, as_of timestamptz,
    due_p10 date, due_p50 date, due_p90 date, usage_log_mean double precision, usage_log_sd double precision, dates_on date,
    renew jsonb, parts jsonb, remarks text[], wear_model integer)
ON CONFLICT (tool_id) DO UPDATE
SET (sequence, state, inspection_id, inspected_at, updated_at, retained, service_loss, basis, ground, ground_factor, governing,
     p10, p50, p90, used_since, as_of, due_p10, due_p50, due_p90, usage_log_mean, usage_log_sd, dates_on, renew, parts, remarks, wear_model)
  = (excluded.sequence, excluded.state, excluded.inspection_id, excluded.inspected_at, excluded.updated_at, excluded.retained,
     excluded.service_loss, excluded.basis, excluded.ground, excluded.ground_factor, excluded.governing, excluded.p10,
     excluded.p50, excluded.p90, excluded.used_since, excluded.as_of, excluded.due_p10, excluded.due_p50, excluded.due_p90,
     excluded.usage_log_mean, excluded.usage_log_sd, excluded.dates_on, excluded.renew, excluded.parts, excluded.remarks,
     excluded.wear_model)
