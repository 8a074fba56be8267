"""Pictures as evidence: the last seconds in memory, what is kept of them, and for how long."""
