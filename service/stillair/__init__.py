"""Stillair watches the heated chamber in which shrinking plastics are built."""

__version__ = "0.1.0"
