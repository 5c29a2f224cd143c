"""A bench as people are shown it, whichever way: devices by name, actions, standing, trends."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from voicecheck.bench.calibration.guides import (
    Guide,
    draw_wires,
    list_guides,
    load_guides,
    name_wires,
)
from voicecheck.bench.calibration.validity import get_newest
from voicecheck.bench.hardware import list_plugs
from voicecheck.errors import InputError
from voicecheck.records import Calibration
from voicecheck.records.benches import BenchSetup, Device, StepResult
from voicecheck.workflow.benches.sitting import get_now_utc, is_counting, judge_paths, list_warnings
from voicecheck.workflow.benches.store import BenchFile

__all__ = ["draw_wires", "name_wires"]


LEAST_DB = 0.005
"""Parts of an interval that are smaller are not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepView:
    """
    One step of a calibration with its newest result, in words.

    Parameters
    ----------
    guide : Guide
    result : StepResult or None
        `None` if it was never done.
    value : str
        "1.700 V per unit"; empty if it was never done.
    until : str
        Day to which the result is good, ISO 8601; empty as above.
    days_left : float or None
        Below 0 once it has expired.
    is_counting : bool
        Whether it counts today.
    remarks : tuple of str
        As `list_remarks`.
    """

    guide: Guide
    result: StepResult | None = None
    value: str = ""
    until: str = ""
    days_left: float | None = None
    is_counting: bool = False
    remarks: tuple[str, ...] = ()


def name_devices(given: Mapping[str, Any], devices: Sequence[Device]) -> tuple[dict[str, Any], str]:
    """
    Full names for parts of them; a board with one channel uses it for both ends.

    Parameters
    ----------
    given : mapping
        Fields of `BenchSetup` that were given, "device" among them.
    devices : sequence of Device
        Of this machine, now.

    Returns
    -------
    fields : dict
    note : str
        What should be known; empty for nothing.

    Raises
    ------
    InputError
        The name fits several devices.
    """
    wanted = given["device"]
    found = [
        one
        for one in devices
        if wanted.casefold() in one.name.casefold()
        and given.get("host_api", "").casefold() in one.host_api.casefold()
    ]
    exact = [one for one in found if one.name == wanted]
    names = ", ".join(one.name for one in found or devices) or "none"
    if not found:
        note = f"{wanted}: not plugged in now (there: {names}); kept as it is named"
        return dict(given), note
    if len({one.name for one in exact or found}) > 1:
        raise InputError(f"device {wanted!r} fits several ({names}): name more of it")
    one = (exact or found)[0]
    small: dict[str, Any] = {}
    if one.n_outputs == 1:
        small["line_drive_channel"] = 1
    if one.n_inputs == 1 and not given.get("input_device"):
        small["ear_channel"] = 1
    # The host's name is kept where there is a choice only: it may change with the system.
    is_alone = len({other.host_api for other in exact or found}) == 1
    named = {
        "device": one.name,
        "host_api": given.get("host_api", "") if is_alone else one.host_api,
    }
    return {**small, **given, **named}, ""


def list_actions(guide: Guide, setup: BenchSetup) -> list[str]:
    """What to do for a step, in order; on a small board what to re-plug comes first."""
    prompts = list_plugs(setup, guide.path)
    told = [line.replace("{load}", f"{setup.load_ohm:.0f} ohm") for line in guide.do]
    return [*(f"{prompt[0].upper()}{prompt[1:]}." for prompt in prompts), *told]


def list_step_names() -> tuple[str, ...]:
    """Every step of a calibration, in the order in which a new bench is calibrated."""
    return tuple(load_guides())


def list_steps(file: BenchFile) -> tuple[StepView, ...]:
    """
    All steps of a calibration, in order, each with its newest result.

    Parameters
    ----------
    file : BenchFile

    Returns
    -------
    tuple of StepView
        Without those of an ear that the bench does not have.
    """
    return tuple(
        _view_step(guide, get_newest(file.results, guide.name))
        for guide in list_guides(file.setup.ear)
    )


def list_all_warnings(file: BenchFile) -> tuple[str, ...]:
    """Stand-ins and expiries of a bench, each told once."""
    standings = judge_paths(file).values()
    told = [warning for standing in standings for warning in standing.warnings]
    return tuple(dict.fromkeys([*list_warnings(file), *told]))


def find_band_uncertainty_db(calibration: Calibration) -> float:
    """Half-width of a 95 % interval of a level anywhere in 200-4000 Hz, at its widest."""
    curve = calibration.curve
    if curve is None:
        return calibration.uncertainty_db
    columns = zip(curve.frequency_hz, curve.microphone_db, curve.bench_db, strict=True)
    widest = max(math.hypot(*half_widths) for hz, *half_widths in columns if 200 <= hz <= 4000)
    return math.hypot(calibration.uncertainty_db, widest)


def list_trend(file: BenchFile, step: str) -> tuple[StepResult, ...]:
    """
    Results of one step with a value, of calibrations and of daily checks, the oldest first.

    Raises
    ------
    InputError
        There is nothing of that step.
    """
    every = (*file.history, *file.check_results)
    # A seal of a daily check is kept as calibration too; its time tells.
    found = {result.done_utc: result for result in every if result.step == step}
    results = [found[time] for time in sorted(found) if found[time].value is not None]
    if not results:
        done = ", ".join(sorted({result.step for result in every})) or "nothing yet"
        raise InputError(f"trend: no result of step {step!r} on this bench (there: {done})")
    return tuple(results)


def describe_value(result: StepResult) -> str:
    """
    Value of a step with its unit.

    Examples
    --------
    >>> describe_value(StepResult(bench="attic", step="electrical-out",
    ...                           done_utc="2026-03-02T09:00:00+00:00", value=1.7, unit="V"))
    '1.700 V per unit'
    """
    value = "no value" if result.value is None else f"{result.value:.3f} {result.unit}"
    return f"{value} per unit" if result.unit in {"V", "Pa"} else value


def list_remarks(result: StepResult) -> tuple[str, ...]:
    """
    What is known of a step's value beyond it, in words: what its interval is made of, how far up.

    Examples
    --------
    >>> list_remarks(StepResult(  # doctest: +NORMALIZE_WHITESPACE
    ...              bench="attic", step="reciprocity", done_utc="2026-03-02",
    ...                         budget_db={"volume": 0.09, "one-way": 0.3},
    ...                         figures={"from_calibrator_db": -0.21, "calibrator_pa": 5.0}))
    ('made of one-way 0.30, volume 0.09 dB',
     'the calibrator said 5.000 Pa: this is -0.21 dB from it')
    """
    parts, figures = result.budget_db, result.figures
    remarks = []
    if parts:
        told = sorted(parts, key=lambda name: -parts[name])
        made_of = ", ".join(f"{name} {parts[name]:.2f}" for name in told if parts[name] >= LEAST_DB)
        remarks.append(f"made of {made_of} dB")
    if "band_uncertainty_db" in figures:
        remarks.append(
            f"200 to 2000 Hz within +-{figures['band_uncertainty_db']:.2f} dB; nothing is stated "
            f"above {figures['upper_hz']:.0f} Hz"
        )
    if "swapped_db" in figures:
        remarks.append(f"both receivers differ by {figures['swapped_db']:+.2f} dB")
    if "calibrator_pa" in figures:
        remarks.append(
            f"the calibrator said {figures['calibrator_pa']:.3f} Pa: this is "
            f"{figures['from_calibrator_db']:+.2f} dB from it"
        )
    return tuple(remarks)


def find_last_day(result: StepResult) -> str:
    """Day to which a result is good, ISO 8601."""
    done = datetime.datetime.fromisoformat(result.done_utc)
    return (done + datetime.timedelta(days=result.valid_days)).date().isoformat()


def _view_step(guide: Guide, result: StepResult | None) -> StepView:
    if result is None:
        return StepView(guide=guide)
    return StepView(
        guide=guide,
        result=result,
        value=describe_value(result),
        until=find_last_day(result),
        days_left=result.get_days_left(get_now_utc()),
        is_counting=is_counting(result),
        remarks=list_remarks(result),
    )
