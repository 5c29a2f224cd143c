"""Measures how a rotary-era telephone talks and hears."""

__version__ = "0.1.0"
