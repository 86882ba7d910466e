-- What a study gave stays with the revisions it made, as if it had been stated; a spread of 0 becomes none.
ALTER TABLE gauge_revisions DROP CONSTRAINT gauge_revisions_repeatability_sd_check;
UPDATE gauge_revisions SET repeatability_sd = NULL, repeatability_dof = NULL WHERE repeatability_sd = 0;
ALTER TABLE gauge_revisions
    ADD CONSTRAINT gauge_revisions_repeatability_sd_check
    CHECK (repeatability_sd > 0 AND repeatability_sd < 'Infinity');
ALTER TABLE gauge_revisions DROP CONSTRAINT gauge_revisions_study_id_fkey;
UPDATE gauge_revisions SET study_id = NULL WHERE study_id IS NOT NULL;
DROP TABLE gauge_studies;
