ALTER TABLE sizes DROP COLUMN reversals;
ALTER TABLE inspection_versions DROP COLUMN reversals;
