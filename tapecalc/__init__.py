"""Plan, understand and teach tape echo."""

__version__ = "0.1.0"
