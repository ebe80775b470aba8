"""Duskgate: what came to the feeder at night, what the flashes did, and what to do tonight."""

__version__ = "0.1.0"
