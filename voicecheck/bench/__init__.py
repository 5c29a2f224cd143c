"""The benches: each plays a programme and hands back a recording."""
