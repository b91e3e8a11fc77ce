"""How often intervals hold the truth, measured in simulated studies."""
