-- The indexes behind the constraints answer for one tool at a time: for a batch of them the whole table was read.
CREATE INDEX usage_of_tools ON usage (tool_id);
CREATE INDEX fittings_of_tools ON fittings (tool_id);
CREATE INDEX fittings_of_components ON fittings (component_id) WHERE component_id IS NOT NULL;
