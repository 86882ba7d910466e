"""A gauge export's bytes to readings and faults: lines, layout, columns, groups, load."""
