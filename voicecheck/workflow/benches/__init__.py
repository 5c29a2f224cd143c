"""Benches: kept, locked, chosen, calibrated, checked, watched."""
