"""Which results still count, and what absolute unit a path has from them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from voicecheck.bench.calibration.alongband import MOUTH_PATHS, add_curve
from voicecheck.bench.calibration.curves import SEAL_DB
from voicecheck.bench.calibration.guides import get_guide, load_guides
from voicecheck.records import Calibration
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.records.terms import check_word

WARN_DAYS = 14.0
NEEDED = {
    "transmit": ("mouth", "electrical-in"),
    "receive": ("electrical-out", "microphone", "seal"),
    "sidetone": ("mouth", "microphone", "seal"),
    "loop": ("electrical-out", "electrical-in"),
}
"""Steps that the absolute unit of a path rests on: output first, then input, then conditions."""
UNCHECKED = (
    "the mouth, made flat: not checked with its equaliser in, 0.5 dB (a proposal) is in every "
    "interval away from 1 kHz; do the step mouth-flat"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """
    What a path's levels mean today.

    Parameters
    ----------
    calibration : Calibration or None
        `None`: relative levels only, and `reasons` says why.
    reasons : tuple of str
        What is missing, expired or unfit; empty when calibrated.
    warnings : tuple of str
        What will expire soon, and stand-ins that were used.
    """

    calibration: Calibration | None
    reasons: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def get_newest(results: Iterable[StepResult], step: str) -> StepResult | None:
    """The latest result of one step; `None` if it was never done."""
    found = [result for result in results if result.step == step]
    return max(found, key=lambda result: result.done_utc, default=None)


def get_best(results: Iterable[StepResult], step: str, now_utc: str) -> StepResult | None:
    """
    The result that counts of a step that may be done in several ways.

    Parameters
    ----------
    results : iterable of StepResult
    step : str
    now_utc : str

    Returns
    -------
    StepResult or None
        Of the newest of each way that count today the one with the narrowest interval; else the
        newest of the step itself.
    """
    results = tuple(results)
    ways = [step, *(one.name for one in load_guides().values() if one.replaces == step)]
    newest = [get_newest(results, way) for way in ways]
    standing = [one for one in newest if one is not None and is_standing(one, now_utc)]
    return min(standing, key=lambda one: one.uncertainty_db, default=newest[0])


def is_standing(result: StepResult | None, now_utc: str) -> bool:
    """Whether a result counts today: there, not expired, not spoilt."""
    return result is not None and not _find_fault(result.step, result, now_utc)


def judge_path(
    setup: BenchSetup, results: Iterable[StepResult], path: str, now_utc: str
) -> Standing:
    """
    Whether a path has an absolute unit now.

    Parameters
    ----------
    setup : BenchSetup
    results : iterable of StepResult
        The history of this bench; the newest of each step counts.
    path : str
    now_utc : str
        ISO 8601.

    Returns
    -------
    Standing

    Raises
    ------
    InputError
        There is no such path.
    """
    check_word(path, NEEDED, "path")
    history = [result for result in results if result.bench == setup.name]
    if setup.ear == "coil" and path in ("receive", "sidetone"):
        reason = "the ear is a pickup coil: relative level only"
        return Standing(calibration=None, reasons=(reason,))
    steps = [(step, get_best(history, step, now_utc)) for step in NEEDED[path]]
    reasons = [reason for step, result in steps if (reason := _find_fault(step, result, now_utc))]
    if reasons:
        return Standing(calibration=None, reasons=tuple(reasons))
    used = [result for _, result in steps if result is not None]
    warnings = list_expiries(used, now_utc)
    warnings += tuple(
        f"{get_guide(result.step).title.lower()}: a stand-in ({result.method})"
        for result in used
        if result.is_fallback
    )
    warnings += tuple(
        f"{get_guide(result.step).title.lower()}: {result.method}"
        for result in used
        if _is_other_way(result)
    )
    flat = _find_flat(history, used[0], now_utc)
    if path in MOUTH_PATHS and flat is None:
        warnings += (UNCHECKED,)
    calibration = add_curve(
        _combine(setup, path, used),
        setup,
        path,
        used[0],
        flat=flat,
        loop_back=get_newest(history, "loop-back"),
    )
    return Standing(calibration=calibration, warnings=(*warnings, *calibration.notes))


def list_expiries(results: Iterable[StepResult], now_utc: str) -> tuple[str, ...]:
    """
    Steps that have expired or will within two weeks, in words.

    Parameters
    ----------
    results : iterable of StepResult
    now_utc : str

    Returns
    -------
    tuple of str
        Steps good for a few days only are named when they have expired.
    """
    warnings = []
    for result in results:
        left = result.get_days_left(now_utc)
        title = get_guide(result.step).title.lower()
        if left < 0:
            warnings.append(f"{title}: expired {-left:.0f} days ago, do the step {result.step}")
        elif left < WARN_DAYS < result.valid_days:
            warnings.append(f"{title}: good for {left:.0f} more days")
    return tuple(warnings)


def _find_fault(step: str, result: StepResult | None, now_utc: str) -> str:
    title = get_guide(step).title.lower()
    if result is None or result.value is None:
        return f"{title}: never done (do the bench's step {step})"
    if result.get_days_left(now_utc) < 0:
        return f"{title}: expired (do the bench's step {step} again)"
    if step == "seal" and result.value >= SEAL_DB:
        return f"{title}: leaks by {result.value:.1f} dB at 200 Hz, seat the ring and repeat"
    spoilt = [problem.message for problem in result.problems if problem.kind == "clipping"]
    return f"{title}: {spoilt[0]}, repeat the step {step}" if spoilt else ""


def _find_flat(history: list[StepResult], mouth: StepResult, now_utc: str) -> StepResult | None:
    """The check of the mouth with its equaliser in, where it is of this mouth and counts."""
    flat = get_newest(history, "mouth-flat")
    if flat is None or flat.done_utc < mouth.done_utc or not is_standing(flat, now_utc):
        return None
    return flat


def _combine(setup: BenchSetup, path: str, used: list[StepResult]) -> Calibration:
    output, source = used[0], used[1]
    # A step without a value is at fault, so that none of those used lacks it.
    output_per_unit, input_per_unit = (one.value for one in used[:2] if one.value is not None)
    uncertainty_db = math.hypot(output.uncertainty_db, source.uncertainty_db)
    if path == "sidetone" and output.figures.get("microphone_pa") == source.value:
        # The mouth's figure contains the microphone's, which cancels in sidetone. Older results
        # do not keep it apart: there the sum is an upper limit.
        uncertainty_db = output.figures.get("own_uncertainty_db", uncertainty_db)
    oldest = min(result.done_utc for result in used[:2])
    ways = [f", {result.method.partition(',')[0]}" for result in used if _is_other_way(result)]
    return Calibration(
        output_per_unit=output_per_unit,
        output_unit=output.unit,
        input_per_unit=input_per_unit,
        input_unit=source.unit,
        uncertainty_db=uncertainty_db,
        name=f"{setup.name}, {oldest[:10]}{''.join(ways)}",
    )


def _is_other_way(result: StepResult) -> bool:
    """Whether it stands in the place of a step that was done another way."""
    return bool(get_guide(result.step).replaces)
