"""Many chambers over a broker: what a board publishes of its own."""
