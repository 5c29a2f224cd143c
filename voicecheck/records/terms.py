"""
The closed lists of words that the whole program shares, as types.

Each list is written once, as a `Literal`; `words_of` gives it back as a tuple, so that a form, an
option and a validator offer the same words in the same order. A word that the user chooses freely
(a stage's label, a set type's name) is text and not here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal, get_args

from voicecheck.errors import InputError

PartName = Literal["set", "receiver", "capacitor", "bell", "contact", "feed", "limiter"]
PathName = Literal["transmit", "receive", "sidetone", "loop"]
SweepPath = Literal[PathName, "both", "all"]
"""
What a sweep may be asked for: "both" is transmit and sidetone from the same takes; "all" is these,
at once where the bench can, and then receive.
"""
Verdict = Literal["within", "doubtful", "outside", "not comparable"]
LimitKind = Literal["", "service", "line", "beside"]
"""What a limit is for: how a set is set, what works on a line, or only told beside both."""
JobStage = Literal["before", "after"]
"""Where the work on a set stands: as found, or done."""
MarkState = Literal[Verdict, "not tested"]
"""What is said of one part of a set where the whole set is looked at."""
MarkKey = Literal[
    "talks", "hears", "own-voice", "crackle", "dials", "rings", "cord", "line"
]  # fmt: skip
"""The parts of a set, in the order in which they are shown."""
BenchEnd = Literal["line-tap", "ear"]
"""Where a bench listens."""
Ear = Literal["coupler", "coil"]
Transmitter = Literal["carbon", "electret", "moving-coil"]
Side = Literal["both", "upper", "lower"]
"""Which deviation of a quantity is a fault."""
RateHz = Literal[44100, 48000, 96000]
Scale = Literal["linear", "log"]
"""How a quantity is judged: as it is, or as 20 log10 of its ratio to the mean."""

BudgetName = Literal[
    "noise", "seats", "calibration", "microphone", "bench", "unsteadiness", "rounding"
]
"""What an uncertainty is made of."""

Family = Literal[
    "level", "crackle", "hum", "noise", "distortion", "response", "linearity", "shape", "feed",
    "position", "steadiness",
]  # fmt: skip
"""Kinds of complaint, what matters most to somebody on the telephone first."""

RUN_STAGES = ("before", "after", "reference")
"""Stages that mean something to the program; any other is a label of the user's."""
SHOWN_LETTERS = 40
"""Of a word that is none of ours an error repeats this much: whoever typed it knows the rest."""


def words_of(kind: Any) -> tuple[str, ...]:
    """
    The words of one of the lists above, in the order in which they are offered.

    Examples
    --------
    >>> words_of(Ear)
    ('coupler', 'coil')
    """
    return get_args(kind)


def check_word(value: str, words: Iterable[str], name: str) -> None:
    """
    Refuse a word that is not on a list.

    Parameters
    ----------
    value : str
        As it was typed.
    words : iterable of str
        What is allowed.
    name : str
        What the value is called where it was typed.

    Raises
    ------
    InputError
        The value is none of the words.

    Examples
    --------
    >>> check_word("transmit", words_of(PathName), "path")
    >>> check_word("trasmit", words_of(PathName), "path")
    Traceback (most recent call last):
        ...
    voicecheck.errors.InputError: path: need one of transmit, receive, sidetone, loop, got 'trasmit'
    """
    allowed = tuple(words)
    if value not in allowed:
        raise InputError(f"{name}: need one of {', '.join(allowed)}, got {value[:SHOWN_LETTERS]!r}")


def find_near_stage(stage: str) -> str:
    """
    The stage that a label is a slip of the finger away from; "" where it is none of these.

    Examples
    --------
    >>> find_near_stage("befor"), find_near_stage("Before"), find_near_stage("electret")
    ('before', 'before', '')
    >>> find_near_stage("before")
    ''
    """
    if stage in RUN_STAGES:
        return ""
    typed = stage.strip().casefold()
    return next((known for known in RUN_STAGES if _is_slip(typed, known)), "")


def _is_slip(typed: str, known: str) -> bool:
    """Whether at most one letter is wrong, missing, too many, or changed places with the next."""
    if typed == known:
        return True
    if len(typed) == len(known):
        wrong = [at for at in range(len(known)) if typed[at] != known[at]]
        if len(wrong) == 1:
            return True
        swapped = len(wrong) == 2 and wrong[1] == wrong[0] + 1
        return swapped and typed[wrong[0]] == known[wrong[1]] and typed[wrong[1]] == known[wrong[0]]
    short, long = sorted((typed, known), key=len)
    cut = (long[:at] + long[at + 1 :] for at in range(len(long)))
    return len(long) - len(short) == 1 and short in cut


def check_stage(stage: str) -> None:
    """
    Refuse a stage that is empty, or one letter away from one that means something.

    Raises
    ------
    InputError
    """
    if not stage.strip():
        raise InputError("stage: need before, after, reference or a label, got nothing")
    if near := find_near_stage(stage):
        raise InputError(
            f"stage: {stage[:SHOWN_LETTERS]!r} is one letter away from {near}; "
            f"is {near} meant? Any other label may be chosen; nothing was recorded"
        )
