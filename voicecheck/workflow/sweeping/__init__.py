"""Sweeps: told seat by seat, recorded, kept, pooled."""
