"""Feed current, from the steps that a dial's breaks make across a resistor in the feed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.signals import average, check_sound
from voicecheck.errors import RecordingError
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

EDGE_S, NEAR_S, FAR_S = 0.001, 0.002, 0.010
"""
An edge is sought within 1 ms; to either side 2 to 10 ms are drawn on to it: an input that loses
what stands still, at 5 Hz or lower, is straight there within 1 %.
"""
APART_S = 0.015
LEAST_STEP = 0.5
LEAST_BREAKS = 3
MOST_EDGES = 2000
"""Of a hundred digits; more are noise, of which no more need be looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Size of the breaks' steps, full-scale units, with the standard error of their mean."""

    size: float
    error: float
    n_breaks: int


def measure_steps(recording: Recording) -> Steps:
    """
    How far the voltage falls at each break of a dial.

    Parameters
    ----------
    recording : Recording
        Across a resistor in the feed; an input that passes no direct current will do.

    Returns
    -------
    Steps

    Raises
    ------
    RecordingError
        Too few breaks were dialled.
    """
    check_sound(recording, 1.0)
    samples, rate_hz = recording.samples, recording.rate_hz
    smooth = average(samples, max(1, round(EDGE_S * rate_hz)))
    lag = round(EDGE_S * rate_hz)
    slope = smooth[2 * lag :] - smooth[: -2 * lag]
    margin = round(0.02 * rate_hz)
    slope[:margin] = slope[-margin:] = 0.0
    edges = _find_edges(slope, round(APART_S * rate_hz)) + lag
    if len(edges) < 2 * LEAST_BREAKS:
        raise RecordingError(
            f"need {LEAST_BREAKS} breaks of a dial or more across the resistor, found "
            f"{len(edges) // 2}; dial a digit of 5 or more and record again",
            "no-signal",
        )
    sizes = np.array([_measure_step(samples, rate_hz, int(edge)) for edge in edges])
    # Before the first digit the contact is closed: the first edge is a break, whatever its sign.
    breaks = np.abs(sizes[np.sign(sizes) == np.sign(sizes[0])])
    middle = float(np.median(breaks))
    kept = breaks[np.abs(breaks - middle) < 0.2 * middle]
    error = 1.2533 * float(np.std(kept, ddof=1)) / np.sqrt(len(kept)) if len(kept) > 1 else middle
    return Steps(size=middle, error=error, n_breaks=len(breaks))


def _find_edges(slope: Array, apart: int) -> Array:
    """Places of the steepest samples, one for each edge."""
    left = np.abs(slope)
    least = LEAST_STEP * float(np.percentile(np.sort(left)[-10 * apart :], 90.0))
    # The highest of each stretch, so that the next edge is not sought in all of a long sound.
    highest = np.maximum.reduceat(left, np.arange(0, len(left), apart))
    found: list[int] = []
    while len(found) < MOST_EDGES:
        start = int(np.argmax(highest)) * apart
        top = start + int(np.argmax(left[start : start + apart]))
        if not top or left[top] <= least:
            break
        found.append(top)
        left[max(0, top - apart) : top + apart + 1] = 0.0
        for place in range(max(0, top // apart - 1), min(len(highest), top // apart + 2)):
            highest[place] = np.max(left[place * apart : (place + 1) * apart])
    return np.array(sorted(found), dtype=float)


def _measure_step(samples: Array, rate_hz: int, edge: int) -> float:
    near, far = round(NEAR_S * rate_hz), round(FAR_S * rate_hz)
    sides = []
    for first, last in ((edge - far, edge - near), (edge + near, edge + far)):
        part = samples[max(first, 0) : last]
        at = np.arange(max(first, 0), last) - edge
        slope, level = np.polyfit(at[: len(part)], part, 1)
        del slope
        sides.append(float(level))
    return sides[1] - sides[0]
