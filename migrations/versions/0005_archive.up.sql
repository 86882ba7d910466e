-- A year stands here from before its tables are copied: from then on nothing more is written into it.
CREATE TABLE archived_years (
    year        integer PRIMARY KEY,
    begun_at    timestamptz NOT NULL DEFAULT now(),
    archived_at timestamptz,            -- when its tables were taken away; NULL while they are copied
    folder      text NOT NULL,
    files       jsonb NOT NULL DEFAULT '[]'     -- [{table, file, rows, checksum, sha256}]
);
