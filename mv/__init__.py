"""Proves, from meters, what an energy retrofit really saved."""

__version__ = "0.1.0"
