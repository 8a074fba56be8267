"""One router for each thing that can be asked for."""
