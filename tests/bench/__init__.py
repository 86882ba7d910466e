"""Measurements, run by hand: `python -m tests.bench`. Both sides of every ratio are measured in the same run."""
