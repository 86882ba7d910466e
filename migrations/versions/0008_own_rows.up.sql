-- Versions, sources and usage of an inspection are written in the transaction that writes the inspection, from the same
-- columns, or in one that holds its tool and has read it; inspections are withdrawn, never deleted. A foreign key looks
-- each of their rows up again, which is a quarter of what a load of new inspections costs beside its readings (which
-- have no such key either, for the same reason). Keys that name tools, which are deleted, stay.
ALTER TABLE inspection_versions DROP CONSTRAINT inspection_versions_inspection_id_fkey;
ALTER TABLE inspection_sources DROP CONSTRAINT inspection_sources_inspection_id_fkey;
ALTER TABLE usage DROP CONSTRAINT usage_inspection_id_fkey;

-- Who does delete inspections by hand takes with them what those keys took.
CREATE FUNCTION take_along() RETURNS trigger
LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM inspection_versions v USING gone WHERE v.inspection_id = gone.inspection_id;
    DELETE FROM inspection_sources s USING gone WHERE s.inspection_id = gone.inspection_id;
    DELETE FROM usage u USING gone WHERE u.inspection_id = gone.inspection_id;
    RETURN NULL;
END
$$;
CREATE TRIGGER inspections_take_along AFTER DELETE ON inspections
    REFERENCING OLD TABLE AS gone FOR EACH STATEMENT EXECUTE FUNCTION take_along();
