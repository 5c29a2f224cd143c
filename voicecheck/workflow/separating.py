"""Tests that separate likely causes, by where they are done; others are done by hand and noted."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from voicecheck.records.terms import MarkKey

CHECKED_BY: Mapping[str, tuple[MarkKey, str]] = MappingProxyType(
    {
        "flex": ("cord", "flex {job} --moved cord"),
        "press-hook": ("cord", "flex {job} --moved hook"),
        "dial-0": ("dials", "dial {job}"),
        "dial-return": ("dials", "dial {job}"),
        "dial-repeat": ("dials", "dial {job}"),
    }
)
"""What a check of the set tells: its mark, and the command that takes it."""
TRIED_BY: Mapping[str, str] = MappingProxyType(
    {
        "recondition": "rap", "crackle": "crackle", "feed-step": "current", "soak": "ten-minutes",
        "termination": "termination", "swap-element": "swap", "finger": "finger",
    }
)  # fmt: skip
"""What a trial settles: the trial's name."""
ON_THE_BENCH = ("loop-back", "reference-handset", "known-source")
SWEPT_AGAIN: Mapping[str, str] = MappingProxyType(
    {
        "reseat": "", "reseat-putty": "", "clean-mouthpiece": "", "drive-steps": "",
        "lift-limiter": "", "tilt": "sweep {job} --path transmit --angle-deg 90", "quiet-room": "",
    }
)  # fmt: skip
"""What another sweep tells, and its command where the hand need not do anything first."""


def find_command(test: str, job: int | None) -> str:
    """
    Command that does a separating test; "" where a hand has to do something first.

    Examples
    --------
    >>> find_command("press-hook", 3), find_command("soak", 3), find_command("reseat", 3)
    ('flex 3 --moved hook', 'trial ten-minutes 3', '')
    """
    if test in TRIED_BY:
        return f"trial {TRIED_BY[test]} {job}"
    command = CHECKED_BY[test][1] if test in CHECKED_BY else SWEPT_AGAIN.get(test, "")
    return command.format(job=job)
