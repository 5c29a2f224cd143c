"""The takes of pressure reciprocity, and what was typed with them -> the microphone's result."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from voicecheck.bench.calibration.guides import make_result
from voicecheck.bench.calibration.levels import find_clipping
from voicecheck.bench.calibration.reciprocity import (
    Cavity,
    Sensitivity,
    Surroundings,
    compute_sensitivity,
    find_upper_hz,
    read_at_db,
)
from voicecheck.bench.calibration.tonesets import read_ratio
from voicecheck.bench.calibration.validity import get_newest, is_standing
from voicecheck.errors import InputError
from voicecheck.records import Problem, Recording
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.units import db_from_ratio, ratio_from_db

TAKE_NAMES = ("small-heard", "small-driven", "large-driven", "large-heard")
FIRST, SWAPPED = "reciprocity", "reciprocity-swapped"
ASKED_HZ = (200.0, 2000.0)
BESIDE_CM3 = (-1.0, 40.0)
"""What diaphragms, caps and seats of two receivers may take (PROP)."""
LEAK_DB = 0.5
"""From where on a low end that departs from the middle is called a leak (PROP)."""
SWAP_DB = 0.5
"""By how much two receivers that work both ways may differ in what they say (PROP)."""
SWAPPED_DB = 0.1
"""What is left of not being reciprocal where two receivers agree (PROP)."""
Pair = tuple[Recording, Recording]


def compute_reciprocity(
    setup: BenchSetup,
    step: str,
    takes: Sequence[Pair],
    typed: Mapping[str, float],
    results: Iterable[StepResult],
    *,
    length_s: float,
    **about: Any,
) -> StepResult:
    """
    Pascal at the ear's microphone for a recorded amplitude of 1.0, no calibrator used.

    Parameters
    ----------
    setup : BenchSetup
    step : str
        "reciprocity", or "reciprocity-swapped" with the receivers' roles exchanged.
    takes : sequence of pairs of Recording
        Line tap and ear of each take, in the order of `TAKE_NAMES`.
    typed : mapping of str to float
        "small_cm3", "large_cm3", "resistor_ohm"; perhaps "volume_error_cm3", "bore_mm",
        "pressure_hpa", "receiver_ohm".
    results : iterable of StepResult
        Everything known of this bench: volts at the line tap, and what to hold this against.
    length_s : float
        How long the tones were played.

    Returns
    -------
    StepResult
        Unit "Pa"; `level_db` is dB re 1 Pa per unit at each tone that was heard.

    Raises
    ------
    InputError
        Something is missing or cannot be.
    RecordingError
        A take cannot be used.
    """
    results, now_utc = tuple(results), about["done_utc"]
    given = _read_typed(typed, get_newest(results, "electrical-in"), about)
    if len(takes) != len(TAKE_NAMES):
        raise InputError(f"{step}: need {len(TAKE_NAMES)} takes, got {len(takes)}")
    found = _measure(takes, typed, given, length_s)
    problems = [*_find_problems(found), *(p for pair in takes for p in find_clipping(*pair))]
    level_db, parts_db = _read_at_1khz(found)
    figures = {
        "leak_db": found.leak_db,
        "beside_cm3": found.beside_cm3,
        "upper_hz": find_upper_hz(found),
        "band_uncertainty_db": _find_band_uncertainty_db(found),
    }
    if step == SWAPPED:
        swapped_db = _find_swapped_db(results, level_db, now_utc)
        figures["swapped_db"] = swapped_db
        problems += _tell_swapped(swapped_db)
        parts_db["one-way"] = max(0.5 * abs(swapped_db), SWAPPED_DB)
        level_db -= 0.5 * swapped_db
    value, uncertainty_db = ratio_from_db(level_db), math.hypot(*parts_db.values())
    beside, apart = _hold_against_calibrator(results, value, uncertainty_db, now_utc)
    known = np.isfinite(found.level_db)
    return make_result(
        setup,
        step,
        value=value,
        unit="Pa",
        uncertainty_db=uncertainty_db,
        method=(
            f"by reciprocity, cavities of {typed['small_cm3']:.3g} and "
            f"{typed['large_cm3']:.3g} cm3, "
            f"{given.resistor_ohm:g} ohm"
        ),
        frequency_hz=found.frequency_hz[known],
        level_db=-found.level_db[known],
        figures=figures | beside,
        budget_db=parts_db,
        problems=(*problems, *apart),
        **about,
    )


def _measure(
    takes: Sequence[Pair], typed: Mapping[str, float], given: Surroundings, length_s: float
) -> Sensitivity:
    ratios = {
        name: read_ratio(ear, tap, length_s, _name_tap(name))
        for name, (tap, ear) in zip(TAKE_NAMES, takes, strict=True)
    }
    small, large = (
        Cavity(
            volume_cm3=typed[f"{size}_cm3"],
            heard=ratios[f"{size}-heard"],
            driven=ratios[f"{size}-driven"],
        )
        for size in ("small", "large")
    )
    return compute_sensitivity(small, large, given)


def _read_typed(
    typed: Mapping[str, float], tap: StepResult | None, about: Mapping[str, Any]
) -> Surroundings:
    missing = [name for name in ("small_cm3", "large_cm3", "resistor_ohm") if name not in typed]
    if missing:
        raise InputError(f"reciprocity: need {', '.join(missing)}")
    if tap is None or tap.value is None:
        raise InputError("reciprocity: do the step electrical-in first")
    return Surroundings(
        resistor_ohm=typed["resistor_ohm"],
        volume_error_cm3=typed.get("volume_error_cm3", 0.2),
        tap_v=tap.value,
        tap_db=tap.uncertainty_db,
        pressure_hpa=typed.get("pressure_hpa"),
        bore_mm=typed.get("bore_mm"),
        receiver_ohm=typed.get("receiver_ohm"),
        temperature_c=about.get("temperature_c"),
    )


def _name_tap(take: str) -> str:
    return "receiver at the line tap" if take.endswith("heard") else "resistor at the line tap"


def _read_at_1khz(found: Sensitivity) -> tuple[float, dict[str, float]]:
    """Pascal for a unit in dB, and the rows of its budget."""
    parts_db = {
        name: read_at_db(found, values_db, 1000.0) for name, values_db in found.parts_db.items()
    }
    return -read_at_db(found, found.level_db, 1000.0), parts_db


def _find_band_uncertainty_db(found: Sensitivity) -> float:
    """The widest interval from 200 to 2000 Hz, of the tones that were heard."""
    low_hz, high_hz = ASKED_HZ
    within = (found.frequency_hz >= low_hz) & (found.frequency_hz <= high_hz)
    known = np.isfinite(found.level_db)
    return float(np.max(found.uncertainty_db[within & known], initial=0.0))


def _find_problems(found: Sensitivity) -> list[Problem]:
    problems = []
    low_cm3, high_cm3 = BESIDE_CM3
    if not low_cm3 <= found.beside_cm3 <= high_cm3:
        message = f"the receivers would take as much as {found.beside_cm3:.0f} cm3 of air"
        effect = "that cannot be: a volume was mistyped, or takes of other blocks are among them"
        problems.append(Problem(kind="volume", message=message, effect=effect))
    # What noise alone may do at the lowest tones is no leak.
    if np.any(found.parts_db["leak"] > LEAK_DB + np.nan_to_num(found.parts_db["noise"])):
        message = f"the low end departs from the middle by {found.leak_db:.1f} dB: a seat leaks"
        effect = "it is in the interval; grease the seats and do the takes again"
        problems.append(Problem(kind="leak", message=message, effect=effect))
    low_hz, high_hz = ASKED_HZ
    within = (found.frequency_hz >= low_hz) & (found.frequency_hz <= high_hz)
    lost = found.frequency_hz[within & ~np.isfinite(found.level_db)]
    if len(lost):
        message = f"nothing can be said at {', '.join(f'{hz:.0f}' for hz in lost)} Hz"
        effect = "noise, a leak, or a cavity too long for so high a tone; the others count"
        problems.append(Problem(kind="noise", message=message, effect=effect))
    return problems


def _find_swapped_db(results: tuple[StepResult, ...], level_db: float, now_utc: str) -> float:
    """By how much the receivers differ in what they say of the microphone."""
    first = get_newest(results, FIRST)
    if first is None or first.value is None or not is_standing(first, now_utc):
        raise InputError(f"{SWAPPED}: do the step {FIRST} first")
    return level_db - db_from_ratio(first.value)


def _tell_swapped(swapped_db: float) -> tuple[Problem, ...]:
    if abs(swapped_db) <= SWAP_DB:
        return ()
    message = f"with A and B exchanged it is {swapped_db:+.1f} dB"
    effect = "a receiver does not work both ways, or a seat moved; half of it is in the interval"
    return (Problem(kind="one-way", message=message, effect=effect),)


def _hold_against_calibrator(
    results: tuple[StepResult, ...], value: float, uncertainty_db: float, now_utc: str
) -> tuple[dict[str, float], tuple[Problem, ...]]:
    """
    Where a calibrator was used too, both stand side by side.

    Parameters
    ----------
    results : tuple of StepResult
    value, uncertainty_db : float
        Pa per unit by reciprocity.
    now_utc : str

    Returns
    -------
    figures : dict
        Empty without one.
    problems : tuple of Problem
        They contradict each other.
    """
    other = get_newest(results, "microphone")
    if other is None or other.value is None or not is_standing(other, now_utc):
        return {}, ()
    apart_db = db_from_ratio(value / other.value)
    figures = {"calibrator_pa": other.value, "from_calibrator_db": apart_db}
    limit_db = math.hypot(uncertainty_db, other.uncertainty_db)
    if abs(apart_db) <= limit_db:
        return figures, ()
    message = (
        f"{apart_db:+.1f} dB from the step microphone ({other.method}), {limit_db:.1f} expected"
    )
    effect = "one of them is wrong; both are kept, and the narrower interval counts"
    return figures, (Problem(kind="two-ways", message=message, effect=effect),)
