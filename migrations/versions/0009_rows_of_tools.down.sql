DROP INDEX usage_of_tools, fittings_of_tools, fittings_of_components;
