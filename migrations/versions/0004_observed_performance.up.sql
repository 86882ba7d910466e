-- Which tier the loss is by, for what consumption, and what the ledger's observations say beside it.
ALTER TABLE assessments
    ADD COLUMN loss_model text CHECK (loss_model IN ('rule', 'flow')),     -- NULL: no loss
    ADD COLUMN consumption_m3_min double precision,                        -- of the tool as it was set
    ADD COLUMN observed_retained double precision,
    ADD COLUMN observed_u double precision,
    ADD COLUMN observed_entries integer,
    ADD COLUMN observed_baseline_entries integer,
    ADD COLUMN observed_pressure_bar double precision,
    ADD COLUMN observed_baseline_pressure_bar double precision;
UPDATE assessments SET loss_model = 'rule' WHERE loss IS NOT NULL;     -- there was no other until now
