"""
Sealed recordings: a programme through a telephone whose truth is known to the maker alone.

Nothing in here imports the program, the plants of `tests/plants`, or a library for numbers: the
sound is made in C (`plant.c`), or slowly in plain Python, and what is true follows from the plan.
"""
