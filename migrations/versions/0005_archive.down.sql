DROP TABLE archived_years;
