"""Readings in; thermal events, phases and signs of a fire's heat out. Pure: no clock, no files."""
