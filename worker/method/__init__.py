"""The engineering: pure functions on numbers and arrays, no input or output."""
