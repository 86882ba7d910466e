-- Parts that an inspection turned end for end: what changes places is in the catalogue.
ALTER TABLE inspection_versions
    ADD COLUMN reversals jsonb NOT NULL DEFAULT '[]';     -- [{source, part, position}]
ALTER TABLE sizes
    ADD COLUMN reversals smallint NOT NULL DEFAULT 0;     -- how often the component had been turned by then
