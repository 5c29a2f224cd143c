"""A set on a line: what the line asks, what the set does, and what to do about it."""
