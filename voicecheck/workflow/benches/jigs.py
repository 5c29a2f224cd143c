"""The steps that a simulated jig can go through, with no bench: to see what they give."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from voicecheck.bench.calibration.stepwork import StepTake, work_out
from voicecheck.bench.simulated.cavity import make_jig, swap_receivers
from voicecheck.bench.simulated.cavitybench import TAKES, SimulatedJig
from voicecheck.errors import InputError
from voicecheck.records import BenchSetup, StepResult
from voicecheck.records.times import get_now_utc
from voicecheck.workflow.benches.driving import TONE_SET_DBFS, play_tone_set
from voicecheck.workflow.benches.sitting import get_guide

TAP_DB = 0.14
"""Of a volt meter good to 1.5 %, with what the tone itself leaves."""
AT_HZ = 1000.0


class Tried(NamedTuple):
    """What a step found on a jig, and what it should have found, Pa per unit."""

    result: StepResult
    truth_pa: float


def try_steps(steps: Iterable[str], seed: int) -> tuple[Tried, ...]:
    """
    Go through steps on a simulated jig; nothing is kept.

    Parameters
    ----------
    steps : iterable of str
        "reciprocity", and "reciprocity-swapped" after it.
    seed : int
        Draws the jig, and how well its owner reads volumes and meters.

    Returns
    -------
    tuple of Tried

    Raises
    ------
    InputError
        There is no jig for a step, or another one comes first.
    """
    own = make_jig(seed)
    jigs = {
        "reciprocity": SimulatedJig(seed, own),
        "reciprocity-swapped": SimulatedJig(seed, swap_receivers(own)),
    }
    wanted = tuple(steps)
    if not wanted or any(step not in jigs for step in wanted):
        raise InputError(f"simulated: add --step with {' or '.join(jigs)}; no other has a jig")
    setup, now_utc = BenchSetup(name="simulated", device="simulated"), get_now_utc()
    tap = StepResult(
        bench=setup.name,
        step="electrical-in",
        done_utc=now_utc,
        value=jigs["reciprocity"].read_tap(TAP_DB),
        unit="V",
        uncertainty_db=TAP_DB,
    )
    results = [tap]
    for step in wanted:
        jig = jigs[step]
        played = [
            play_tone_set(functools.partial(jig.play_pair, take=name), setup.rate_hz, TONE_SET_DBFS)
            for name in TAKES
        ]
        take = StepTake(
            setup=setup,
            guide=get_guide(step),
            values=(),
            results=tuple(results),
            programme=played[0][0],
            recording=None,
            is_stand_in=False,
            level_dbfs=TONE_SET_DBFS,
            about={"done_utc": now_utc, "temperature_c": jig.jig.air.temperature_c},
            takes=tuple(pair for _, pair in played),
            typed=jig.read_sizes(),
        )
        results.append(work_out(take))
    truth_pa = float(jigs["reciprocity"].find_truth_pa(np.array([AT_HZ]))[0])
    return tuple(Tried(result, truth_pa) for result in results[1:])
