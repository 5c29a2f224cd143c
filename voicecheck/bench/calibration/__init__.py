"""Calibrating a bench step by step, and what the results are good for."""
