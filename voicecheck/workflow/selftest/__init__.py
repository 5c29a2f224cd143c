"""The program tried out where it is to be used: its parts, the machine, and a bench."""
