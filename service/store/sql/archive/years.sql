-- The years that are archived, or are being archived.
SELECT year FROM archived_years ORDER BY year
