"""What is said of the reflections that were found in a recording."""

from __future__ import annotations

import math

import numpy as np

from voicecheck.records import Problem
from voicecheck.records.arrays import Array
from voicecheck.response import Reflections
from voicecheck.response.transfer import WINDOW_SCALES
from voicecheck.response.windows import CYCLES_AFTER


def report_reflections(found: Reflections | None, frequency_hz: Array) -> list[Problem]:
    """
    One problem for each reflection, with its delay, its level and what it costs.

    Parameters
    ----------
    found : Reflections or None
    frequency_hz : ndarray, shape (n_points,)
        Of the curve.

    Returns
    -------
    list of Problem
    """
    if found is None:
        return []
    widest_db = float(np.max(found.doubt_db(frequency_hz)))
    problems = []
    for delay_s, gain in zip(found.delays_s, found.gains, strict=True):
        free_hz = WINDOW_SCALES[0] * CYCLES_AFTER / delay_s
        problems.append(
            Problem(
                kind="reflection",
                message=f"a reflection arrives {1000.0 * delay_s:.1f} ms after the direct sound, "
                f"{-20.0 * math.log10(gain):.0f} dB below it",
                effect=f"taken out; the curve's interval holds what may be left of it, up to "
                f"{widest_db:.2f} dB; below {free_hz:.0f} Hz no window ends before it arrives. "
                "Cover hard surfaces near the set, or move it away from them",
            )
        )
    return problems
