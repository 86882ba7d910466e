-- Summaries of a size that say how far it is round, where it is worn and what the choice of the worst may have added.
-- NULL where there is nothing to say, and in sizes that were stored before.
ALTER TABLE sizes
    ADD COLUMN round_station smallint,          -- where it is most out of round; 0: no station named
    ADD COLUMN ovality double precision,        -- by the second harmonic, with 3 or more orientations there
    ADD COLUMN ovality_axis double precision,   -- of the largest diameter, degrees from 0 below 180
    ADD COLUMN ovality_u double precision,
    ADD COLUMN two_point double precision,      -- largest less smallest there
    ADD COLUMN two_point_bound double precision, -- above it that is significant
    ADD COLUMN selection_bias double precision,
    ADD COLUMN track_first double precision,    -- ends of the longest run of significant wear
    ADD COLUMN track_last double precision,
    ADD COLUMN track_peak double precision,     -- where the wear is deepest
    ADD COLUMN track_wear double precision;     -- and how deep
