-- Held while a component's record or its fittings change.
SELECT component_id FROM components WHERE serial = %(serial)s FOR UPDATE
