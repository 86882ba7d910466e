-- Assessments keep the number of the version that they used; a later upgrade learns anew from 1.
DROP INDEX inspection_versions_recorded;
ALTER TABLE tool_status DROP COLUMN wear_model;
DROP TABLE forecast_records;
DROP TABLE wear_learning;
DROP TABLE wear_models;
