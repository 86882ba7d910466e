-- The tables, in the order of the walk: reference data, tools, usage, inspections, exports, results, work.
-- Lengths are mm, times UTC, pressures bar (absolute), usage metres or hours, whatever the client sent.

CREATE EXTENSION IF NOT EXISTS btree_gist;

-- ------------------------------------------------------------------ access

CREATE TABLE sites (
    site_id     integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    code        text NOT NULL UNIQUE,
    name        text NOT NULL,
    time_zone   text NOT NULL,
    version     integer NOT NULL DEFAULT 1,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE tokens (
    token_id    integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name        text NOT NULL,
    digest      bytea NOT NULL UNIQUE CHECK (octet_length(digest) = 32),
    scopes      text[] NOT NULL CHECK (scopes <@ ARRAY['catalogue', 'intake', 'read', 'admin'] AND cardinality(scopes) > 0),
    site_id     integer REFERENCES sites,
    created_at  timestamptz NOT NULL DEFAULT now(),
    revoked_at  timestamptz
);

-- Keys are kept 24 h; a row exists only once the work it belongs to is committed.
CREATE TABLE idempotency_keys (
    token_id    integer NOT NULL REFERENCES tokens ON DELETE CASCADE,
    route       text NOT NULL,
    key         text NOT NULL,
    digest      bytea NOT NULL,
    status      smallint NOT NULL,
    location    text,
    body        bytea NOT NULL,
    created_at  timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (token_id, route, key)
);
CREATE INDEX idempotency_keys_age ON idempotency_keys (created_at);

-- ------------------------------------------------------------------ reference data (append-only where an assessment rests on it)

-- Counts writes of reference data as they begin, under the lock of service.store.clock: who finds the count and the lock
-- as they were knows that what it remembers of reference data is still so.
CREATE SEQUENCE reference_writes;

-- One dictionary for features, fits and limits, so that the large tables carry four bytes instead of a name.
CREATE TABLE codes (
    code_id     integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    code        text NOT NULL UNIQUE
);

CREATE TABLE tool_types (
    tool_type_id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    code        text NOT NULL UNIQUE,
    revision    integer NOT NULL,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE tool_type_revisions (
    tool_type_id integer NOT NULL REFERENCES tool_types ON DELETE CASCADE,
    revision    integer NOT NULL CHECK (revision > 0),
    recorded_at timestamptz NOT NULL,
    document    jsonb NOT NULL,     -- canonical: mm, every default filled in
    sent        jsonb NOT NULL,     -- as it came, for audit and for knowing an identical PUT
    PRIMARY KEY (tool_type_id, revision)
);

CREATE TABLE gauges (
    gauge_id    integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    serial      text NOT NULL UNIQUE,
    revision    integer NOT NULL,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE gauge_revisions (
    gauge_id    integer NOT NULL REFERENCES gauges ON DELETE CASCADE,
    revision    integer NOT NULL CHECK (revision > 0),
    recorded_at timestamptz NOT NULL,
    kind        text NOT NULL CHECK (kind IN ('micrometer', 'telescopic', 'dial-bore', 'digital-bore', 'caliper')),
    unit        text NOT NULL CHECK (unit IN ('mm', 'in')),
    resolution  double precision NOT NULL CHECK (resolution > 0 AND resolution < 'Infinity'),
    bias        double precision NOT NULL DEFAULT 0,
    expansion_per_k double precision,
    material    text,
    repeatability_sd double precision CHECK (repeatability_sd > 0 AND repeatability_sd < 'Infinity'),
    repeatability_dof double precision,     -- NULL = infinite
    reproducibility_sd double precision CHECK (reproducibility_sd >= 0 AND reproducibility_sd < 'Infinity'),
    reproducibility_dof double precision,
    study_id    uuid,
    sent        jsonb NOT NULL,
    PRIMARY KEY (gauge_id, revision)
);

CREATE TABLE gauge_certificates (
    certificate_id uuid PRIMARY KEY DEFAULT uuidv7(),
    gauge_id    integer NOT NULL REFERENCES gauges ON DELETE CASCADE,
    recorded_at timestamptz NOT NULL,
    expanded_uncertainty double precision NOT NULL CHECK (expanded_uncertainty > 0 AND expanded_uncertainty < 'Infinity'),
    coverage_factor double precision NOT NULL CHECK (coverage_factor > 0 AND coverage_factor < 'Infinity'),
    degrees_of_freedom double precision,    -- NULL = infinite
    calibrated_on date,                     -- NULL = in force from the start
    due_on      date                        -- NULL = never overdue
);
CREATE INDEX gauge_certificates_gauge ON gauge_certificates (gauge_id, calibrated_on);

CREATE TABLE masters (
    master_id   integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    serial      text NOT NULL UNIQUE,
    revision    integer NOT NULL,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);

-- A master's size is what its certificate says, so a certificate carries all of it.
CREATE TABLE master_certificates (
    master_id   integer NOT NULL REFERENCES masters ON DELETE CASCADE,
    revision    integer NOT NULL CHECK (revision > 0),
    recorded_at timestamptz NOT NULL,
    unit        text NOT NULL CHECK (unit IN ('mm', 'in')),
    size        double precision NOT NULL CHECK (size > 0 AND size < 'Infinity'),
    expanded_uncertainty double precision NOT NULL CHECK (expanded_uncertainty > 0 AND expanded_uncertainty < 'Infinity'),
    coverage_factor double precision NOT NULL CHECK (coverage_factor > 0 AND coverage_factor < 'Infinity'),
    calibrated_on date,
    due_on      date,
    expansion_per_k double precision,
    material    text,
    sent        jsonb NOT NULL,
    PRIMARY KEY (master_id, revision)
);

-- ------------------------------------------------------------------ tools and their components

CREATE TABLE tools (
    tool_id     integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    serial      text NOT NULL UNIQUE,
    tool_type_id integer NOT NULL REFERENCES tool_types,
    site_id     integer NOT NULL REFERENCES sites,
    air_setting text,
    history     text NOT NULL DEFAULT 'new' CHECK (history IN ('new', 'unknown')),
    commissioned_on date,
    note        text,
    -- Counts changes of what the tool's state is derived from (inspections, usage, fittings, its beginning). Whoever makes
    -- one counts it first, which holds the tool, too; who has looked without holding it finds out here.
    time_line   integer NOT NULL DEFAULT 0,
    version     integer NOT NULL DEFAULT 1,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX tools_by_type ON tools (tool_type_id);
CREATE INDEX tools_by_site ON tools (site_id);

CREATE TABLE components (
    component_id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    serial      text NOT NULL UNIQUE,
    part        text NOT NULL,
    tool_type_id integer NOT NULL REFERENCES tool_types,
    site_id     integer NOT NULL REFERENCES sites,
    set_code    text,
    state       text NOT NULL DEFAULT 'stock' CHECK (state IN ('stock', 'scrapped')),
    version     integer NOT NULL DEFAULT 1,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX components_by_type ON components (tool_type_id);
CREATE INDEX components_by_site ON components (site_id);

CREATE TABLE inspections (
    inspection_id uuid PRIMARY KEY DEFAULT uuidv7(),
    tool_id     integer NOT NULL REFERENCES tools,
    reference   text NOT NULL,
    stage       text NOT NULL CHECK (stage IN ('as_found', 'as_left')),
    taken_at    timestamptz NOT NULL,
    inspection_version integer NOT NULL DEFAULT 1 CHECK (inspection_version > 0),
    inputs_as_of timestamptz NOT NULL,
    state       text NOT NULL DEFAULT 'accepted' CHECK (state IN ('accepted', 'assessed', 'failed', 'withdrawn')),
    problem     jsonb,                  -- why it failed
    assessment_version integer,         -- the newest one, of whichever inspection_version
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);
CREATE UNIQUE INDEX inspections_one_per_reference ON inspections (tool_id, reference, stage) WHERE state <> 'withdrawn';
CREATE INDEX inspections_of_tool ON inspections (tool_id, taken_at, stage, reference);     -- the order in time
CREATE INDEX inspections_in_time ON inspections (taken_at, inspection_id);
CREATE INDEX inspections_failed ON inspections (updated_at) WHERE state = 'failed';

-- What an inspection said, one row for every time it changed; readings hang on (inspection_id, inspection_version).
CREATE TABLE inspection_versions (
    inspection_id uuid NOT NULL REFERENCES inspections ON DELETE CASCADE,
    inspection_version integer NOT NULL,
    taken_at    timestamptz NOT NULL,
    inputs_as_of timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT now(),
    cause       text NOT NULL CHECK (cause IN ('posted', 'added', 'replaced', 'corrected', 'withdrawn', 'source-withdrawn')),
    remeasures  uuid REFERENCES inspections,
    final       boolean NOT NULL DEFAULT false,
    checks      jsonb NOT NULL DEFAULT '[]',    -- [{source, check, result, note}]
    renewals    jsonb NOT NULL DEFAULT '[]',    -- [{source, part, position, component_id, component, removed_to}]
    setups      jsonb NOT NULL DEFAULT '[]',    -- [{source, setup, gauge, master, readings_at_zero}]
    PRIMARY KEY (inspection_id, inspection_version)
);
CREATE INDEX inspection_versions_remeasures ON inspection_versions (remeasures) WHERE remeasures IS NOT NULL;

-- One document, or one file's group of good rows. In force from from_version until before until_version.
CREATE TABLE inspection_sources (
    inspection_id uuid NOT NULL REFERENCES inspections ON DELETE CASCADE,
    source      integer NOT NULL,
    digest      bytea NOT NULL CHECK (octet_length(digest) = 32),   -- of the canonical form
    from_version integer NOT NULL,
    until_version integer,
    export_id   uuid,
    taken_at    timestamptz NOT NULL,
    inspector   text,
    thermometer text,
    thermometer_u_c double precision CHECK (thermometer_u_c > 0 AND thermometer_u_c < 'Infinity'),
    remeasures  text,
    final       boolean,
    usage       jsonb,                  -- as sent, [{metres, hours, ground}]
    held_back   jsonb,                  -- {readings, checks, renewals} equal to ones another source had brought already;
                                        -- they come forward when that source is taken out
    PRIMARY KEY (inspection_id, source)
);
CREATE UNIQUE INDEX inspection_sources_once ON inspection_sources (inspection_id, digest) WHERE until_version IS NULL;
CREATE INDEX inspection_sources_export ON inspection_sources (export_id) WHERE export_id IS NOT NULL;

-- Half-open intervals. A row with inspection_id was derived from that inspection's renewals and goes with it;
-- component_id NULL is a new component without a serial.
CREATE TABLE fittings (
    fitting_id  uuid PRIMARY KEY DEFAULT uuidv7(),
    tool_id     integer NOT NULL REFERENCES tools,
    part        text NOT NULL,
    position    smallint NOT NULL CHECK (position >= 1),
    component_id integer REFERENCES components,
    period      tstzrange NOT NULL CHECK (NOT isempty(period) AND NOT lower_inf(period)),
    inspection_id uuid REFERENCES inspections ON DELETE CASCADE,
    removed_to  text CHECK (removed_to IN ('scrapped', 'stock')),   -- where its predecessor in the position went
    created_at  timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT fittings_one_per_position EXCLUDE USING gist
        (tool_id WITH =, part WITH =, position WITH =, period WITH &&) DEFERRABLE INITIALLY IMMEDIATE,
    CONSTRAINT fittings_one_place EXCLUDE USING gist
        (component_id WITH =, period WITH &&) DEFERRABLE INITIALLY IMMEDIATE
);
CREATE INDEX fittings_inspection ON fittings (inspection_id) WHERE inspection_id IS NOT NULL;

-- The ledger, and (inspection_id set) what inspections said was run since the one before: their period follows the
-- order in time and is derived anew whenever that order changes.
CREATE TABLE usage (
    usage_id    uuid PRIMARY KEY DEFAULT uuidv7(),
    tool_id     integer NOT NULL REFERENCES tools,
    period      tstzrange NOT NULL CHECK (NOT isempty(period) AND NOT upper_inf(period)),
    metres      double precision CHECK (metres >= 0 AND metres < 'Infinity'),
    hours       double precision CHECK (hours >= 0 AND hours < 'Infinity'),
    amounts     jsonb NOT NULL,         -- [{metres, hours, ground: {class: share} or null}], adding up to the two columns
    rate_m_h    double precision CHECK (rate_m_h > 0 AND rate_m_h < 'Infinity'),
    pressure_bar double precision CHECK (pressure_bar > 0 AND pressure_bar < 'Infinity'),
    inspection_id uuid UNIQUE REFERENCES inspections ON DELETE CASCADE,
    recorded_at timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT usage_no_overlap EXCLUDE USING gist
        (tool_id WITH =, period WITH &&) DEFERRABLE INITIALLY IMMEDIATE
);

-- ------------------------------------------------------------------ gauge exports

CREATE TABLE layouts (
    layout_id   integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    code        text NOT NULL UNIQUE,
    revision    integer NOT NULL,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE layout_revisions (
    layout_id   integer NOT NULL REFERENCES layouts ON DELETE CASCADE,
    revision    integer NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT now(),
    document    jsonb NOT NULL,
    PRIMARY KEY (layout_id, revision)
);

CREATE TABLE gauge_exports (
    export_id   uuid PRIMARY KEY DEFAULT uuidv7(),
    layout      text NOT NULL,
    layout_revision integer NOT NULL,       -- 0 for the built-in ones
    on_fault    text NOT NULL CHECK (on_fault IN ('skip', 'reject')),
    on_existing text NOT NULL CHECK (on_existing IN ('refuse', 'add', 'replace')),
    site_id     integer REFERENCES sites,   -- the site the token was bound to, if any
    file_name   text,
    sha256      bytea,                      -- NULL while the request still streams
    size_bytes  bigint NOT NULL DEFAULT 0,
    state       text NOT NULL CHECK (state IN ('receiving', 'received', 'reading', 'assessing', 'done', 'failed', 'withdrawn')),
    rows_total  bigint NOT NULL DEFAULT 0,
    rows_accepted bigint NOT NULL DEFAULT 0,
    rows_faulty bigint NOT NULL DEFAULT 0,
    inspections_total bigint NOT NULL DEFAULT 0,
    problem     jsonb,
    received_at timestamptz NOT NULL DEFAULT now(),
    finished_at timestamptz,
    claim       uuid,
    lease_until timestamptz,
    attempts    integer NOT NULL DEFAULT 0,
    run_at      timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX gauge_exports_same ON gauge_exports (sha256, layout);
CREATE INDEX gauge_exports_open ON gauge_exports (run_at) WHERE state IN ('received', 'reading', 'assessing');

CREATE TABLE gauge_export_chunks (
    export_id   uuid NOT NULL REFERENCES gauge_exports ON DELETE CASCADE,
    chunk       integer NOT NULL,
    bytes       bytea NOT NULL,
    PRIMARY KEY (export_id, chunk)
);
ALTER TABLE gauge_export_chunks ALTER COLUMN bytes SET STORAGE EXTERNAL;

CREATE TABLE gauge_export_faults (
    export_id   uuid NOT NULL REFERENCES gauge_exports ON DELETE CASCADE,
    ordinal     integer NOT NULL,
    "row"       bigint,
    "column"    text,
    code        text NOT NULL,
    message     text NOT NULL,
    text        text,
    PRIMARY KEY (export_id, ordinal)
);

-- ------------------------------------------------------------------ readings and results, by year of taken_at

CREATE TABLE readings (
    taken_at    timestamptz NOT NULL,
    inspection_id uuid NOT NULL,
    inspection_version integer NOT NULL,
    ordinal     integer NOT NULL,
    tool_id     integer NOT NULL,
    source      integer NOT NULL,
    feature_id  integer NOT NULL,
    position    smallint,               -- as sent; NULL where the component names it, or a part stands once
    component_id integer,               -- as sent
    station     smallint,
    orientation double precision,
    kind        smallint NOT NULL,      -- 0 size, 1 deviation, 2 trace
    value       double precision,
    trace       double precision[],
    sent        double precision,       -- the figure as sent where it was not in mm
    sent_unit   text,                   -- 'in' or 'um', NULL for mm
    gauge_id    integer,
    master_id   integer,
    setup       text,
    temperature_c double precision,
    reference_temperature_c double precision,
    -- One constraint, since each is read anew by every statement. NaN is above Infinity; greatest passes over NULL.
    CONSTRAINT readings_sound CHECK (
        kind BETWEEN 0 AND 2 AND (kind = 2) = (trace IS NOT NULL) AND (kind = 2) = (value IS NULL)
        AND orientation >= 0 AND orientation < 360
        AND greatest(abs(value), abs(temperature_c), abs(reference_temperature_c)) < 'Infinity'),
    PRIMARY KEY (taken_at, inspection_id, inspection_version, ordinal)
) PARTITION BY RANGE (taken_at);

CREATE TABLE assessments (
    inspection_id uuid NOT NULL REFERENCES inspections ON DELETE CASCADE,
    version     integer NOT NULL CHECK (version > 0),
    inspection_version integer NOT NULL,
    tool_id     integer NOT NULL,
    taken_at    timestamptz NOT NULL,
    computed_at timestamptz NOT NULL,
    inputs_as_of timestamptz NOT NULL,      -- later than the inspection's where a new revision moved it
    digest      bytea NOT NULL,             -- of all inputs: the same inputs write no new version
    method      text NOT NULL,
    tool_type_id integer NOT NULL,
    revision    integer NOT NULL,
    wear_model  integer,                    -- version of the learned parameters, NULL = the catalogue's
    state       text NOT NULL CHECK (state IN ('serviceable', 'monitor', 'service-due', 'remeasure')),
    loss        double precision,
    loss_standard_uncertainty double precision,
    loss_by_rule double precision,
    loss_by_flow double precision,
    service_loss double precision,
    hammer_pressure_bar double precision,
    loss_by_fit jsonb NOT NULL DEFAULT '[]',
    basis       text NOT NULL CHECK (basis IN ('metres', 'hours')),
    ground      jsonb,                      -- planned mix {class: share}; NULL = unknown
    ground_factor double precision NOT NULL,
    governing   integer,                    -- code_id of the governing limit
    due_p10     date,
    due_p50     date,
    due_p90     date,
    offsets     jsonb NOT NULL DEFAULT '[]',
    checks      jsonb NOT NULL DEFAULT '[]',
    parts       jsonb NOT NULL DEFAULT '[]',
    remarks     jsonb NOT NULL DEFAULT '[]',
    PRIMARY KEY (inspection_id, version)
);
CREATE INDEX assessments_of_tool ON assessments (tool_id, taken_at);

CREATE TABLE sizes (
    taken_at    timestamptz NOT NULL,
    inspection_id uuid NOT NULL,
    version     integer NOT NULL,
    ordinal     smallint NOT NULL,
    tool_id     integer NOT NULL,
    feature_id  integer NOT NULL,
    component_id integer,
    position    smallint,               -- NULL: on the bench, not in this tool
    readings    integer NOT NULL,
    mean        double precision,
    min         double precision,
    max         double precision,
    worst       double precision,
    worst_station smallint,
    out_of_round double precision,
    taper       double precision,
    taper_u     double precision,
    worst_u     double precision,
    worst_dof   double precision,       -- NULL with worst_u set = infinite
    mean_u      double precision,
    mean_dof    double precision,
    expanded_uncertainty double precision,
    coverage_factor double precision,
    discard     double precision,
    discard_on  smallint NOT NULL,      -- 0 worst, 1 mean
    probability_beyond double precision,
    verdict     text NOT NULL,
    blocked     boolean NOT NULL,       -- by a blunder check: stays out of the wear state
    usage       double precision,       -- of the component then, ground-weighted, per 1000 of the life basis; NULL = unknown
    worst_level double precision, worst_rate double precision,
    worst_level_var double precision, worst_cov double precision, worst_rate_var double precision,
    mean_level  double precision, mean_rate double precision,
    mean_level_var double precision, mean_cov double precision, mean_rate_var double precision,
    PRIMARY KEY (taken_at, inspection_id, version, ordinal)
) PARTITION BY RANGE (taken_at);
CREATE INDEX sizes_of_tool ON sizes (tool_id, feature_id, taken_at);
CREATE INDEX sizes_of_component ON sizes (component_id, taken_at) WHERE component_id IS NOT NULL;

CREATE TABLE clearances (
    taken_at    timestamptz NOT NULL,
    inspection_id uuid NOT NULL,
    version     integer NOT NULL,
    ordinal     smallint NOT NULL,
    tool_id     integer NOT NULL,
    fit_id      integer NOT NULL,
    position    smallint,
    mean        double precision,
    worst       double precision,
    smallest    double precision,
    clearance_for_leakage double precision,
    worst_u     double precision,
    worst_dof   double precision,
    mean_u      double precision,
    expanded_uncertainty double precision,
    coverage_factor double precision,
    new         double precision,
    discard     double precision,
    consumed    double precision,
    probability_beyond double precision,
    verdict     text NOT NULL,
    leak_mass_flow_kg_s double precision,
    leak_free_air_m3_min double precision,
    leak_share_of_delivery double precision,
    leak_u_m3_min double precision,
    leak_regime text,
    leak_choked boolean,
    PRIMARY KEY (taken_at, inspection_id, version, ordinal)
) PARTITION BY RANGE (taken_at);
CREATE INDEX clearances_of_tool ON clearances (tool_id, fit_id, taken_at);

-- Remaining usage in the life basis, at the assessment's ground_factor; another mix is a change of scale.
CREATE TABLE limits (
    taken_at    timestamptz NOT NULL,
    inspection_id uuid NOT NULL,
    version     integer NOT NULL,
    ordinal     smallint NOT NULL,
    tool_id     integer NOT NULL,
    limit_id    integer NOT NULL,
    p10         double precision,
    p50         double precision,
    p90         double precision,
    probability_never double precision,
    probability_beyond_now double precision,
    gap         double precision,       -- of the first-passage model, per 1000 effective units, for other horizons
    gap_var     double precision,
    drift       double precision,
    drift_var   double precision,
    gap_drift_cov double precision,
    diffusion   double precision,
    PRIMARY KEY (taken_at, inspection_id, version, ordinal)
) PARTITION BY RANGE (taken_at);

CREATE FUNCTION make_partitions(from_year integer, to_year integer) RETURNS integer
LANGUAGE plpgsql AS $$
-- Attached rather than created in place: that takes a lock on the parent which readers and writers pass.
DECLARE
    parent text;
    y integer;
    child text;
    made integer := 0;
BEGIN
    PERFORM pg_advisory_xact_lock(7245301);
    FOREACH parent IN ARRAY ARRAY['readings', 'sizes', 'clearances', 'limits'] LOOP
        FOR y IN from_year..to_year LOOP
            child := format('%s_%s', parent, y);
            IF to_regclass(child) IS NULL THEN
                EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING CONSTRAINTS)', child, parent);
                EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', parent, child,
                               format('%s-01-01 00:00:00+00', lpad(y::text, 4, '0')),
                               format('%s-01-01 00:00:00+00', lpad((y + 1)::text, 4, '0')));
                made := made + 1;
            END IF;
        END LOOP;
    END LOOP;
    RETURN made;
END
$$;
SELECT make_partitions(extract(year FROM now())::integer - 1, extract(year FROM now())::integer + 1);

-- ------------------------------------------------------------------ status, its changes, and the work to do

CREATE TABLE tool_status (
    tool_id     integer PRIMARY KEY REFERENCES tools ON DELETE CASCADE,
    sequence    bigint NOT NULL,
    state       text NOT NULL CHECK (state IN ('serviceable', 'monitor', 'service-due', 'remeasure')),
    inspection_id uuid,
    inspected_at timestamptz,
    updated_at  timestamptz NOT NULL,
    retained    double precision,
    service_loss double precision,
    basis       text NOT NULL,
    ground      jsonb,
    ground_factor double precision NOT NULL,
    governing   integer,
    p10         double precision,
    p50         double precision,
    p90         double precision,
    used_since  double precision,
    as_of       timestamptz,
    due_p10     date,
    due_p50     date,
    due_p90     date,
    usage_log_mean double precision,    -- log of the daily usage and its spread, for the due dates
    usage_log_sd double precision,
    dates_on    date,                   -- the site's day the dates were computed on
    renew       jsonb NOT NULL DEFAULT '[]',
    parts       jsonb NOT NULL DEFAULT '[]',
    remarks     text[] NOT NULL DEFAULT '{}'
);
CREATE INDEX tool_status_changed ON tool_status (updated_at, tool_id);

-- The status keeps limits of its own: they are for the components fitted now, not for those of an assessment.
CREATE TABLE tool_status_limits (
    tool_id     integer NOT NULL REFERENCES tools ON DELETE CASCADE,
    ordinal     smallint NOT NULL,
    limit_id    integer NOT NULL,
    p10         double precision,       -- at the event, not less the usage since
    p50         double precision,
    p90         double precision,
    probability_never double precision,
    probability_beyond_now double precision,
    gap double precision, gap_var double precision, drift double precision,
    drift_var double precision, gap_drift_cov double precision, diffusion double precision,
    PRIMARY KEY (tool_id, ordinal)
);

-- Written by workers only, last in their transaction and under one advisory lock: seq order is commit order.
CREATE TABLE changes (
    seq         bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    tool_id     integer NOT NULL,
    sequence    bigint NOT NULL,
    changed_at  timestamptz NOT NULL DEFAULT now(),
    document    jsonb NOT NULL,
    UNIQUE (tool_id, sequence)
);

CREATE TABLE tool_work (
    tool_id     integer PRIMARY KEY REFERENCES tools ON DELETE CASCADE,
    dirty_from  timestamptz,            -- NULL while nothing new came since the claim
    claimed_from timestamptz,
    claim       uuid,
    lease_until timestamptz,
    attempts    integer NOT NULL DEFAULT 0,
    suspect     uuid,                   -- the inspection being computed when a worker died, where that keeps happening
    run_at      timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX tool_work_due ON tool_work (run_at);
