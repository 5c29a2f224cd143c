"""Whether a part that was read, perhaps from a stranger's file, can be one of the protocol."""

from __future__ import annotations

import datetime
import re

from voicecheck.errors import InputError
from voicecheck.records import ProtocolPart
from voicecheck.records.sanity import MOST, check_sanity
from voicecheck.verdicts.protocol.steps import (
    ENVELOPE,
    OPENED,
    count_rounds,
    find_step,
    load_steps,
)

MOST_TAKES, LONGEST_WORDS = 50, 80
_SHA256 = re.compile(r"[0-9a-f]{64}")


def check_part(part: ProtocolPart) -> None:
    """
    Refuse what would make a later calculation fail or mislead.

    Parameters
    ----------
    part : ProtocolPart

    Raises
    ------
    InputError
        No such part, readings that are not those of its step, or a value out of range.
    """
    name = part.part[:LONGEST_WORDS]
    is_hidden = part.part in (ENVELOPE, OPENED)
    if part.step != ("round" if is_hidden else find_step(part.part)):
        raise InputError(f"{name}: belongs to another step than {part.step[:LONGEST_WORDS]!r}")
    check_sanity(part, name)
    _check_time(part.taken_utc, name)
    if len(part.sounds) > MOST_TAKES or not all(map(_SHA256.fullmatch, part.sounds)):
        raise InputError(f"{name}: need {MOST_TAKES} recordings at most, each by its SHA-256")
    if len(part.answer) > LONGEST_WORDS or len(part.bench) > LONGEST_WORDS:
        raise InputError(f"{name}: need {LONGEST_WORDS} letters at most of an answer and a bench")
    if part.part == OPENED and len(part.plants) != count_rounds():
        raise InputError(f"{name}: need {count_rounds()} entries, got {len(part.plants)}")
    if not is_hidden:
        _check_typed(part, name)


def _check_typed(part: ProtocolPart, name: str) -> None:
    readings = {one.name: one for one in load_steps()[part.step].reading}
    if readings.keys() != part.typed.keys():
        raise InputError(f"{name}: its readings are not {', '.join(readings) or 'none'}")
    for key, value in part.typed.items():
        readings[key].check(value)
    figures = (one for one in part.figures.values() if one is not None)
    # A number that is none is not below the bound, either.
    if not all(abs(one) <= MOST for one in (*figures, *part.uncertainty.values())):
        raise InputError(f"{name}: a figure that nothing measured can have")
    if any(value < 0.0 for value in part.uncertainty.values()):
        raise InputError(f"{name}: an interval narrower than none")
    if any((part.figures.get(one) or 1.0) <= 0.0 for one in ("soft_v", "loud_v")):
        raise InputError(f"{name}: a drive of no volts")
    scale = part.calibration
    if scale is not None and not min(scale.input_per_unit, scale.output_per_unit) > 0.0:
        raise InputError(f"{name}: a calibration of no size")


def _check_time(text: str, name: str) -> None:
    try:
        is_known = datetime.datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        is_known = False
    if not is_known:
        raise InputError(f"{name}: need a time with its zone, got {text[:LONGEST_WORDS]!r}")
