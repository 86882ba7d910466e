-- Types whose past forecasts are to be scored: never yet, a fifth more to go by, or a day gone by with anything new.
SELECT tool_type_id
FROM wear_learning
WHERE sizes >= %(enough)s
  AND (scored_at IS NULL OR sizes >= 1.2 * scored_sizes
       OR (sizes <> scored_sizes AND scored_at < clock_timestamp() - interval '1 day'))
ORDER BY tool_type_id
