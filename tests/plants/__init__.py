"""
Plants, spoilers and populations of known truth, for tests and tables of rates.

Nothing in here imports the program: what judges it shares no formula with it.
"""
