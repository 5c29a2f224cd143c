"""Where the programme lies in a recording, and what went wrong on the way."""

from voicecheck.inspection.faults import find_clipping, find_gaps
from voicecheck.inspection.marks import find_timeline, polish_delay_s
from voicecheck.inspection.repeats import OddEvent, compare_repeats

__all__ = [
    "OddEvent",
    "compare_repeats",
    "find_clipping",
    "find_gaps",
    "find_timeline",
    "polish_delay_s",
]
