"""Pure: what a toolpath does, layer by layer."""
