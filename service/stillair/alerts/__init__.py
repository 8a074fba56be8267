"""Reaching people: routes, the courier that empties the outbox, and the sounder."""
