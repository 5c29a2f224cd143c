"""
Steps of a direct voltage behind a coupling that lets no direct voltage through.

A switched resistance makes the line jump; choke, transformer or capacitor let the jump die away.
Around each edge the record is a level, a decay that goes on from before, and a new one that begins
at the edge: its size there is the jump. While the switch bounces nothing is read; one time constant
is fitted to all edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.budgets import student_95
from voicecheck.errors import RecordingError
from voicecheck.records.arrays import Array

GUARD_BEFORE_S, GUARD_AFTER_S = 0.5e-3, 4e-3
"""While a switch may bounce; common practice, no source."""
BEFORE_S, AFTER_S = 0.03, 0.08
BLOCK_S = 2e-3
APART_S = 0.2
FEWEST = 6
SHARE, TIMES_NOISE = 0.4, 8.0
LEVELS = np.geomspace(1.5e-3, 1.0, 56)
"""Time constants that are tried, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Jumps:
    """
    Steps of a recording.

    Parameters
    ----------
    at_s, size : ndarray, shape (n_steps,)
        When, and how much with its sign, in the unit of the samples.
    decay_s : float
        Time constant of the coupling.
    mean_size, uncertainty : float
        Mean of the sizes without sign, with the half-width of its 95 % interval: what they scatter
        by, and by how long the switch bounced against the decay.
    """

    at_s: Array
    size: Array
    decay_s: float
    mean_size: float
    uncertainty: float


def measure_jumps(samples: Array, rate_hz: int) -> Jumps:
    """
    Find the steps of a recording, and how large they are.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Any unit.
    rate_hz : int

    Returns
    -------
    Jumps

    Raises
    ------
    RecordingError
        Fewer than six steps.

    Notes
    -----
    Source: step response of a first-order high-pass, exp(-t / tau); the interval is that of the
    mean by Student's t (JCGM 100:2008, G.3).
    """
    edges, bounce_s = _find_edges(samples, rate_hz)
    if len(edges) < FEWEST:
        raise RecordingError(
            f"switched steps: need {FEWEST} or more, found {len(edges)}; switch firmly about once "
            "a second, check that the current flows, and record again",
            "too-few-steps",
        )
    cuts = [_cut(samples, edge, rate_hz) for edge in edges]
    costs = [sum(_fit(cut, decay_s)[1] for cut in cuts) for decay_s in LEVELS]
    decay_s = float(LEVELS[int(np.argmin(costs))])
    size = np.array([_fit(cut, decay_s)[0] for cut in cuts])
    return _pool(edges / rate_hz, size, decay_s, bounce_s)


def _pool(at_s: Array, size: Array, decay_s: float, bounce_s: float) -> Jumps:
    n, mean_size = len(size), float(np.mean(np.abs(size)))
    spread = float(np.std(np.abs(size), ddof=1)) / math.sqrt(n)
    return Jumps(
        at_s=at_s,
        size=size,
        decay_s=decay_s,
        mean_size=mean_size,
        uncertainty=math.hypot(float(student_95(n - 1)) * spread, mean_size * bounce_s / decay_s),
    )


def _find_edges(samples: Array, rate_hz: int) -> tuple[Array, float]:
    """
    Sample of each edge, and how long the switch bounced, s.

    An edge is where two stretches of 2 ms differ most, then where the steps from sample to sample
    have their centre; how far they lie apart there is the bounce (root mean square).
    """
    width = max(2, round(BLOCK_S * rate_hz))
    total = np.concatenate(([0.0], np.cumsum(samples)))
    mean = (total[width:] - total[:-width]) / width
    step = np.abs(mean[2 * width :] - mean[: -2 * width])
    if not len(step):
        return np.zeros(0, dtype=np.int64), 0.0
    noise = 1.4826 * float(np.median(step))
    least = max(SHARE * float(np.max(step)), TIMES_NOISE * noise, 1e-12)
    found: dict[int, float] = {}
    apart = round(APART_S * rate_hz)
    rest = step.copy()
    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    while len(rest) and rest[place := int(np.argmax(rest))] >= least:
        rest[max(0, place - apart) : place + apart] = 0.0
        begin = max(0, place - width)
        centre, spread = _find_centre(samples[begin : place + 4 * width])
        if before <= begin + centre <= len(samples) - after:
            found[begin + centre] = spread / rate_hz
    bounce_s = float(np.sqrt(np.mean(np.square(list(found.values()))))) if found else 0.0
    return np.array(sorted(found), dtype=np.int64), bounce_s


def _find_centre(samples: Array) -> tuple[int, float]:
    """Where the steps from sample to sample have their centre, and their spread, in samples."""
    weight = np.square(np.diff(samples))
    # Noise alone is everywhere; the switch's own steps are among the largest.
    weight = np.where(weight >= 0.05 * np.max(weight), weight, 0.0)
    place = np.arange(len(weight))
    centre = float(np.sum(weight * place) / np.sum(weight))
    spread = math.sqrt(float(np.sum(weight * (place - centre) ** 2) / np.sum(weight)))
    return round(centre) + 1, spread


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cut:
    """Times re the edge and what is there, without the moment of the bounce."""

    time_s: Array
    value: Array


def _cut(samples: Array, edge: int, rate_hz: int) -> _Cut:
    first, last = edge - round(BEFORE_S * rate_hz), edge + round(AFTER_S * rate_hz)
    time_s = (np.arange(first, last) - edge) / rate_hz
    clear = (time_s < -GUARD_BEFORE_S) | (time_s > GUARD_AFTER_S)
    return _Cut(time_s=time_s[clear], value=samples[first:last][clear])


def _fit(cut: _Cut, decay_s: float) -> tuple[float, float]:
    """Jump at the edge, and the sum of squares that stays."""
    going = np.exp(-(cut.time_s + BEFORE_S) / decay_s)
    new = np.where(cut.time_s > 0.0, np.exp(-np.abs(cut.time_s) / decay_s), 0.0)
    columns = np.column_stack([np.ones_like(new), going, new])
    found, *_ = np.linalg.lstsq(columns, cut.value, rcond=None)
    return float(found[2]), float(np.sum((cut.value - columns @ found) ** 2))
