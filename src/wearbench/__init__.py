"""wearbench: how well a body-worn sensor measures, with evidence."""

__version__ = "0.1.0"
