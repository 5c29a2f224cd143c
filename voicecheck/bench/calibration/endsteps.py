"""Open, short and a known resistor in a part's place -> what the electrical check rests on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from voicecheck.bench.calibration.guides import make_result
from voicecheck.checkout.parts.flaws import find_clipping
from voicecheck.checkout.parts.lockin import Ratios, measure_ratios, place
from voicecheck.errors import InputError, RecordingError
from voicecheck.records import Programme, Recording
from voicecheck.records.benches import BenchSetup, StepResult

STEP = "parts-ends"
NAMES = ("open", "short", "reference")
"""Takes in their order, by the names that the electrical check has for them."""
SAME_RESISTOR = 0.01
"""A resistor counts as the same that is typed within 1 %."""
SHORT_SHARE, OPEN_SHARE, KNOWN_SHARE = 0.3, 0.4, 0.02
"""
Least that an open end has of what stands before the resistor (10 kilohm behind 15 kilohm), most
that a short has (a lead of 4 ohm behind 10 ohm), least that a known resistor is from both (PROP).
"""


class Ends(NamedTuple):
    """What is known of a bench's ends, and of the known resistor."""

    ratios: dict[str, Ratios]
    known_ohm: float
    known_percent: float
    done_utc: str


def compute_ends(
    setup: BenchSetup,
    programme: Programme,
    takes: Sequence[tuple[Recording, Recording]],
    typed: Mapping[str, float],
    **about: Any,
) -> StepResult:
    """
    Ratio of the inputs with nothing, a short, and a known resistor in a part's place.

    Parameters
    ----------
    setup : BenchSetup
    programme : Programme
        The stimulus.
    takes : sequence of pairs of Recording
        Before the resistor and across the part: open, short, known.
    typed : mapping of str to float
        "resistor_ohm", "known_ohm", perhaps "known_percent".

    Returns
    -------
    StepResult
        Its `value` is the resistor that it counts for, ohm.

    Raises
    ------
    InputError
        Something is missing.
    RecordingError
        A take cannot be used, or is not what its turn was.
    """
    if len(takes) != len(NAMES) or not {"resistor_ohm", "known_ohm"} <= set(typed):
        raise InputError(f"{STEP}: need three takes, and both resistors' values")
    found, clipped = [], []
    for before, across in takes:
        pair = before.replace(second=across.samples)
        found.append(measure_ratios(programme, pair, place(programme, pair)))
        clipped += find_clipping(pair)
    if clipped:
        raise RecordingError(f"{clipped[0].message}; {clipped[0].effect}", "clipping")
    _check_order(found)
    rows = [row for one in found for row in (one.ratio.real, one.ratio.imag, one.sd)]
    return make_result(
        setup,
        STEP,
        value=typed["resistor_ohm"],
        unit="ohm",
        method=f"open, short and {typed['known_ohm']:g} ohm in the part's place",
        frequency_hz=found[0].frequency_hz,
        ends=np.array(rows),
        figures={
            "known_ohm": typed["known_ohm"],
            "known_percent": typed.get("known_percent", 1.0),
        },
        **about,
    )


def _check_order(found: Sequence[Ratios]) -> None:
    """Refuse takes that cannot be what they are said to be."""
    opened, shorted, known = (float(np.median(np.abs(one.ratio))) for one in found)
    if opened < OPEN_SHARE or shorted > SHORT_SHARE * opened:
        raise RecordingError(
            f"{STEP}: an open end reads {opened:.2g} and a short {shorted:.2g} of what stands "
            "before the resistor; were they in this order, and both inputs the right way round?",
            "wrong-order",
        )
    if not shorted + KNOWN_SHARE * opened < known < (1.0 - KNOWN_SHARE) * opened:
        raise RecordingError(
            f"{STEP}: the known resistor reads as an open end or a short; take one that is nearer "
            "to the resistor between the inputs",
            "wrong-order",
        )


def find_ends(results: Iterable[StepResult], resistor_ohm: float, is_counting: Any) -> Ends | None:
    """
    The newest of a bench's ends through a resistor; `None` where there is none that counts.

    Parameters
    ----------
    results : iterable of StepResult
    resistor_ohm : float
    is_counting : callable
        Whether a result counts today.
    """
    fitting = [
        one
        for one in results
        if one.step == STEP
        and one.value is not None
        and abs(one.value / resistor_ohm - 1.0) < SAME_RESISTOR
        and is_counting(one)
    ]
    newest = max(fitting, key=lambda one: one.done_utc, default=None)
    if newest is None or newest.ends is None or newest.frequency_hz is None:
        return None
    ratios = {}
    for number, name in enumerate(NAMES):
        real, imag, sd = newest.ends[3 * number : 3 * number + 3]
        size = np.ones(len(sd))
        ratios[name] = Ratios(
            frequency_hz=newest.frequency_hz,
            ratio=real + 1j * imag,
            sd=sd,
            first=size,
            second=np.hypot(real, imag),
        )
    known_ohm, known_percent = newest.figures["known_ohm"], newest.figures["known_percent"]
    return Ends(ratios, known_ohm, known_percent, newest.done_utc)
