"""Sensors, contacts and cameras: one protocol each, and the drivers for real ones."""
