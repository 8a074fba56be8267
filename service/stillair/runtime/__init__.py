"""The running service: supervisors, wiring, housekeeping, and the same watch over recordings."""
