(SELECT DISTINCT 'inspection' AS kind, inspection_id::text AS key
 FROM (SELECT inspection_id FROM readings WHERE gauge_id = %(gauge_id)s LIMIT 1000) AS read
 LIMIT 10)
UNION
(SELECT DISTINCT 'inspection', inspection_id::text
 FROM inspection_versions
 WHERE setups @> jsonb_build_array(jsonb_build_object('gauge', %(serial)s::text))
 LIMIT 10)
ORDER BY key
