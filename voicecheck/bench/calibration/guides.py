"""The steps in words: what to do, what to beware of, how long a result is good for."""

from __future__ import annotations

import functools
import importlib.resources
import tomllib
from dataclasses import dataclass
from typing import Any

import msgspec

from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.records.terms import check_word


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """
    One step of a calibration as the user is told it.

    Parameters
    ----------
    name, title : str
    path : str
        Which output plays and which input records, in the words of a programme's paths.
    sound : str
        "tones" (400 and 1000 Hz), "programme", or "none" to listen only.
    needs : tuple of str
        Steps that come first.
    valid_days : float
    target_error_db : float
        What the step should reach.
    caution : str
        Shown before anything sounds.
    do : tuple of str
        What to do, in order.
    provenance : str
    """

    name: str
    title: str
    path: str
    sound: str
    needs: tuple[str, ...]
    valid_days: float
    target_error_db: float
    caution: str
    do: tuple[str, ...]
    provenance: str


@functools.cache
def load_guides() -> dict[str, Guide]:
    """
    All steps, in the order in which a new bench is calibrated.

    Returns
    -------
    dict of str to Guide
    """
    file = importlib.resources.files("voicecheck").joinpath("data/bench/calibration_steps.toml")
    steps = tomllib.loads(file.read_text(encoding="utf-8"))["step"]
    guides = [msgspec.convert(step, Guide) for step in steps]
    return {guide.name: guide for guide in guides}


def get_guide(step: str) -> Guide:
    """
    Words of one step.

    Raises
    ------
    InputError
        There is no such step.
    """
    guides = load_guides()
    check_word(step, guides, "step")
    return guides[step]


def make_result(setup: BenchSetup, step: str, **fields: Any) -> StepResult:
    """
    Result of a step of this bench, good for as long as the step's guide says.

    Parameters
    ----------
    setup : BenchSetup
    step : str
    **fields
        Of `StepResult`, with `done_utc`.

    Returns
    -------
    StepResult
    """
    valid_days = get_guide(step).valid_days
    return StepResult(bench=setup.name, step=step, valid_days=valid_days, **fields)
