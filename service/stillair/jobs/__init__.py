"""Pure: where one job begins, pauses and ends, and what was reported about it."""
