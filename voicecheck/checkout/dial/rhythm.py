"""
Whether clicks are a dial's: a governor makes even periods, a cam the same closing in each.

Voices, knocks and typewriters click too, but their clicks keep no such time and differ in level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array

FIRST_STEP, NEXT_STEP, PLACE = 0.2, 0.08, 0.08
"""
Shares of a period: the first one of a digit from the usual one (a governor that is slow to take
hold), each from the one before it, and a closing from its usual place. Made dials, worn ones among
them, keep to half of each.
"""
LEAST_TIMED, LEAST_SHARE = 5, 0.9
"""
Clicks that could be out of time, and how many of them must not be. Of 1125 prompts five keep it by
chance with up to seven clicks, of made dials all but those whose clicks are half lost in noise
(`tests/bench/dials.md`). Fewer than five are a digit of two pulses.
"""
MOST_BUSY_S = 0.02
"""Loud time for each click, its bounces with it: 13 ms at most of made dials, 23 and more of those
five prompts."""
LONGEST_PERIOD_S = 0.15
"""6.7 pulses a second; the slowest dials met make 7 (TRADE, S34)."""
MOST_SPREAD_DB = 6.0
"""Standard deviation of the level of openings: one contact breaks one current."""
LEVEL_S = 0.005


@dataclass(frozen=True, slots=True)
class Rhythm:
    """
    How well clicks keep time.

    `n_timed` of the clicks follow others of their digit, `n_kept` of them come when a dial's would;
    `spread_db` is the standard deviation of the openings' level, `busy_s` the loud time of a click.
    """

    period_s: float | None
    n_timed: int
    n_kept: int
    spread_db: float
    busy_s: float


def weigh_rhythm(
    groups: Sequence[Array],
    openings: Sequence[Sequence[float]],
    period_s: float | None,
    *,
    spread_db: float,
    busy_s: float,
) -> Rhythm:
    """
    How many clicks come when those of a dial would.

    Parameters
    ----------
    groups : sequence of ndarray
        Clicks of each digit, seconds.
    openings : sequence of sequence of float
        Those of them that are openings.
    period_s : float or None
        The usual one.
    spread_db : float
        As `measure_spread` gives it.
    busy_s : float
        Loud time for each click.

    Returns
    -------
    Rhythm
    """
    n_timed = sum(len(group) - 1 for group in groups)
    if period_s is None:
        return Rhythm(None, n_timed, 0, spread_db, busy_s)
    n_kept = sum(_count_even(opened, period_s) for opened in openings)
    pairs = zip(groups, openings, strict=True)
    away_s = np.concatenate([_list_others(group, opened) for group, opened in pairs])
    if len(away_s):
        near = np.abs(away_s[:, None] - away_s[None, :]) < PLACE * period_s
        n_kept += int(np.max(np.sum(near, axis=0)))
    return Rhythm(period_s, n_timed, n_kept, spread_db, busy_s)


def measure_spread(samples: Array, rate_hz: int, openings_s: Sequence[float]) -> float:
    """Standard deviation of the level of clicks, decibels."""
    length = max(1, round(LEVEL_S * rate_hz))
    firsts = [int(at_s * rate_hz) for at_s in openings_s]
    peaks = [float(np.max(np.abs(samples[first : first + length]))) for first in firsts]
    return float(np.std(20.0 * np.log10(np.array(peaks) + 1e-12)))


def find_doubt(rhythm: Rhythm) -> str:
    """
    What speaks against a dial; "" where nothing does.

    Examples
    --------
    >>> find_doubt(Rhythm(0.1, 20, 20, 0.5, 0.01)), find_doubt(Rhythm(0.1, 30, 16, 0.5, 0.01))
    ('', '16 of 30 clicks keep the time of a dial')
    """
    if rhythm.n_timed < LEAST_TIMED:
        return f"{rhythm.n_timed} clicks follow others within a digit, {LEAST_TIMED} are needed"
    if rhythm.n_kept < LEAST_SHARE * rhythm.n_timed or rhythm.period_s is None:
        return f"{rhythm.n_kept} of {rhythm.n_timed} clicks keep the time of a dial"
    if rhythm.period_s > LONGEST_PERIOD_S:
        return f"{1.0 / rhythm.period_s:.1f} a second is slower than any dial"
    if rhythm.busy_s > MOST_BUSY_S:
        return f"each lasts {1e3 * rhythm.busy_s:.0f} ms, a contact's click is shorter"
    if rhythm.spread_db > MOST_SPREAD_DB:
        return f"the clicks' level varies by {rhythm.spread_db:.0f} dB"
    return ""


def _count_even(openings_s: Sequence[float], period_s: float) -> int:
    """Openings that are whole periods after the one before, each as long as the last."""
    n_even, usual_s, step = 0, period_s, FIRST_STEP
    for gap_s in np.diff(openings_s).tolist():
        one_s = gap_s / max(1, round(gap_s / period_s))
        n_even += abs(one_s / usual_s - 1.0) < step
        usual_s, step = one_s, NEXT_STEP
    return n_even


def _list_others(group: Array, openings_s: Sequence[float]) -> Array:
    """How long after an opening each other click comes, seconds."""
    opened = np.array(openings_s)
    others = np.setdiff1d(group, opened)
    return np.asarray(others - opened[np.searchsorted(opened, others) - 1])
