"""A sound card without hardware, with a simulated handset in it."""
