-- What a fleet has taught: append-only, and judged by recorded_at like all reference data.
CREATE TABLE wear_models (
    tool_type_id integer NOT NULL REFERENCES tool_types ON DELETE CASCADE,
    version     integer NOT NULL CHECK (version > 0),
    recorded_at timestamptz NOT NULL,
    revision    integer NOT NULL,       -- of the catalogue, which it is shrunk to
    document    jsonb NOT NULL,         -- parameters by feature, ground factors, recalibration, what it rests on; mm
    PRIMARY KEY (tool_type_id, version)
);

-- When a type's readings were last looked at, whether or not that made a version.
CREATE TABLE wear_learning (
    tool_type_id integer PRIMARY KEY REFERENCES tool_types ON DELETE CASCADE,
    looked_at   timestamptz NOT NULL,   -- every reading recorded before has been looked at
    finished_at timestamptz NOT NULL,
    seconds     double precision NOT NULL,
    revision    integer NOT NULL,
    digest      bytea NOT NULL,         -- of all that was learned from
    sizes       integer NOT NULL,       -- how many those were
    scored_at   timestamptz,            -- when past forecasts were last scored, and by how many sizes
    scored_sizes integer
);

-- How past forecasts turned out; dated and kept.
CREATE TABLE forecast_records (
    tool_type_id integer NOT NULL REFERENCES tool_types ON DELETE CASCADE,
    record      integer NOT NULL CHECK (record > 0),
    computed_at timestamptz NOT NULL,
    wear_model  integer,                -- the version in force then
    document    jsonb NOT NULL,
    PRIMARY KEY (tool_type_id, record)
);

ALTER TABLE tool_status ADD COLUMN wear_model integer;     -- version of the learned parameters, NULL = the catalogue's
CREATE INDEX inspection_versions_recorded ON inspection_versions (recorded_at);
