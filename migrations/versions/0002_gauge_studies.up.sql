-- Append-only. Each study made a revision of its gauge, which names it.
CREATE TABLE gauge_studies (
    study_id    uuid PRIMARY KEY DEFAULT uuidv7(),
    gauge_id    integer NOT NULL REFERENCES gauges ON DELETE CASCADE,
    recorded_at timestamptz NOT NULL,
    unit        text NOT NULL CHECK (unit IN ('mm', 'in')),     -- of what was sent
    tolerance   double precision CHECK (tolerance > 0 AND tolerance < 'Infinity'),     -- mm
    pool_above  double precision NOT NULL CHECK (pool_above BETWEEN 0 AND 1),
    measurements jsonb NOT NULL,        -- [part][appraiser][trial], as sent, in `unit`
    results     jsonb NOT NULL          -- as answered, in mm
);
CREATE INDEX gauge_studies_gauge ON gauge_studies (gauge_id, study_id);

-- Deferred: a gauge goes with its revisions and its studies, in whichever order.
ALTER TABLE gauge_revisions
    ADD FOREIGN KEY (study_id) REFERENCES gauge_studies DEFERRABLE INITIALLY DEFERRED;

-- A study may find no scatter at all: the step of the gauge hides it, and the budget takes the step.
ALTER TABLE gauge_revisions DROP CONSTRAINT gauge_revisions_repeatability_sd_check;
ALTER TABLE gauge_revisions
    ADD CONSTRAINT gauge_revisions_repeatability_sd_check
    CHECK (repeatability_sd >= 0 AND repeatability_sd < 'Infinity');
