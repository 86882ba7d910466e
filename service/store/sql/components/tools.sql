-- The tools a component has been in, and since when first: what its record says bears on their results.
SELECT tool_id, min(lower(period)) AS since FROM fittings WHERE component_id = %(component_id)s GROUP BY tool_id
