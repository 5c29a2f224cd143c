"""Where the programme lies in a recording, and what went wrong on the way."""

from voicecheck.inspection.faults import find_clipping, find_gaps
from voicecheck.inspection.marks import Arrivals, find_arrivals, find_marks, find_timeline
from voicecheck.inspection.placing import place_take, polish_delay_s
from voicecheck.inspection.repeats import OddEvent, compare_repeats

__all__ = [
    "Arrivals",
    "OddEvent",
    "compare_repeats",
    "find_arrivals",
    "find_clipping",
    "find_gaps",
    "find_marks",
    "find_timeline",
    "place_take",
    "polish_delay_s",
]
