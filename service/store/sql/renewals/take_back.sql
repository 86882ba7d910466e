-- A renewal undone: its fitting goes, and the one it ended goes on in its place.
WITH undone AS (
    DELETE FROM fittings
    WHERE fitting_id = %(fitting_id)s
    RETURNING tool_id, part, position, period, removed_to
)
UPDATE fittings f
SET period = tstzrange(lower(f.period), upper(u.period))
FROM undone u
WHERE u.removed_to IS NOT NULL AND f.tool_id = u.tool_id AND f.part = u.part AND f.position = u.position
  AND upper(f.period) = lower(u.period)
RETURNING f.component_id
