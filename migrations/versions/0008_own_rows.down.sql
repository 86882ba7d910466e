DROP TRIGGER inspections_take_along ON inspections;
DROP FUNCTION take_along();
ALTER TABLE inspection_versions
    ADD CONSTRAINT inspection_versions_inspection_id_fkey FOREIGN KEY (inspection_id) REFERENCES inspections ON DELETE CASCADE;
ALTER TABLE inspection_sources
    ADD CONSTRAINT inspection_sources_inspection_id_fkey FOREIGN KEY (inspection_id) REFERENCES inspections ON DELETE CASCADE;
ALTER TABLE usage
    ADD CONSTRAINT usage_inspection_id_fkey FOREIGN KEY (inspection_id) REFERENCES inspections ON DELETE CASCADE;
