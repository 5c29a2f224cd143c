"""Where the programme lies in a recording, and what went wrong on the way."""

from voicecheck.inspection.faults import find_clipping, find_gaps
from voicecheck.inspection.marks import Arrivals, find_arrivals, find_marks, find_timeline
from voicecheck.inspection.placing import place_take, polish_delay_s
from voicecheck.inspection.repeats import OddEvent, compare_repeats
from voicecheck.inspection.rounding import (
    FUNDAMENTAL_SHARE,
    HARMONIC_SHARE,
    Rounding,
    find_rounding,
    report_few_steps,
)

__all__ = [
    "FUNDAMENTAL_SHARE",
    "HARMONIC_SHARE",
    "Arrivals",
    "OddEvent",
    "Rounding",
    "compare_repeats",
    "find_arrivals",
    "find_clipping",
    "find_gaps",
    "find_marks",
    "find_rounding",
    "find_timeline",
    "place_take",
    "polish_delay_s",
    "report_few_steps",
]
