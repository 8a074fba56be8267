"""The simulated chamber: physics, picture, script, and twins of the instruments."""
