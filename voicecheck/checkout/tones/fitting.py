"""How many bursts a row of the tone table explains, or a cadence that no row has."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.tones.bursts import Burst
from voicecheck.checkout.tones.patterns import Pattern

FREQUENCY_PERCENT = 3.0
"""
Off the table (common practice, no source). Rows at 425 and 440 Hz are 3.5 % apart, so that a tone
between them fits both; from some 6 % on 400 Hz fits 425 Hz too.
"""
FREQUENCY_WEIGHT = 3.0
"""Of a relative error of a frequency over one of a cadence: exchanges keep it that much better."""
CADENCE_SHARE, CADENCE_S = 0.2, 0.04
"""
Off a part of the cadence, whichever is more: exchanges' timers wander (common practice, no source),
and an edge is as blurred as the level's smoothing. 0.2 and 0.25 s are not told apart by it.
"""
STEADY_S = 2.2
"""A tone that stays longer without a pause is steady: rings last up to 2 s."""
SILENT_SHARE = 0.8
"""Of its pause, on one side: a single burst is only then the burst of a cadence."""
LEAST_ALONE_S, LEAST_TONE_S = 0.6, 0.3
"""A single burst, and all bursts of a row in all: a sung or spoken note is shorter (MEM)."""
UNNAMED_SHARE = 0.9
"""Of the power, in what no row explains: speech and music hold a note with its harmonics."""
EVEN_SHARE, EVEN_S = 0.1, 0.025
"""By which a cadence that no row has may vary."""
SAME_PERCENT = 1.5
LEAST_SINGLE_S, SINGLE_SHARE = 1.0, 0.97
"""A single burst that the recording may have cut, told as it is: no voice holds a note as pure."""
LEAST_UNNAMED = {1: 4, 2: 6}
"""Bursts by the bursts in one period: fewer are even by chance."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A row of the table, at which of its bursts it begins, how many it explains, how badly."""

    pattern: Pattern
    phase: int
    n: int
    cost: float


def fit_pattern(bursts: Sequence[Burst], at: int, pattern: Pattern, length_s: float) -> Fit | None:
    """
    The most bursts from one on that a pattern explains.

    Parameters
    ----------
    bursts : sequence of Burst
    at : int
        Where to begin.
    pattern : Pattern
    length_s : float
        Of the recording.
    """
    if not pattern.cadence_s:
        off = _compare_peaks(bursts[at].peaks_hz, pattern.peaks[0])
        if off is None or bursts[at].on_s <= STEADY_S:
            return None
        return Fit(pattern, 0, 1, FREQUENCY_WEIGHT * off)
    fits = [
        fit
        for phase in range(len(pattern.peaks))
        if (fit := _follow(bursts, at, pattern, phase, length_s)) is not None
    ]
    return min(fits, key=lambda fit: (-fit.n, fit.cost), default=None)


def find_evenness(bursts: Sequence[Burst], at: int) -> tuple[int, int]:
    """
    Bursts of one tone that follow each other evenly, and how many make a period; 0 for none.

    Parameters
    ----------
    bursts : sequence of Burst
    at : int
        Where to begin.

    Returns
    -------
    n, n_period : int
        A steady tone is one burst of a period of none.
    """
    same = []
    for burst in bursts[at:]:
        off = _compare_peaks(burst.peaks_hz, bursts[at].peaks_hz, SAME_PERCENT)
        if off is None or burst.share < UNNAMED_SHARE:
            break
        same.append(burst)
    if not same:
        return 0, 0
    pauses_s = [b.start_s - a.end_s for a, b in itertools.pairwise(same)]
    for n_period, least in LEAST_UNNAMED.items():
        n = n_period
        while n < len(same) and _is_even(same[n].on_s, same[n - n_period].on_s):
            if n > n_period and not _is_even(pauses_s[n - 1], pauses_s[n - 1 - n_period]):
                break
            n += 1
        if n >= least:
            return n, n_period
    if same[0].on_s > STEADY_S:
        return 1, 0
    is_single = same[0].on_s > LEAST_SINGLE_S and same[0].share > SINGLE_SHARE
    return (1, 1) if is_single else (0, 0)


def _follow(
    bursts: Sequence[Burst], at: int, pattern: Pattern, phase: int, length_s: float
) -> Fit | None:
    n_parts = len(pattern.peaks)
    times, tones = [], []
    n = 0
    for burst in bursts[at:]:
        part = (phase + n) % n_parts
        tone = _compare_peaks(burst.peaks_hz, pattern.peaks[part])
        on_s, off_s = pattern.cadence_s[2 * part], pattern.cadence_s[2 * part - 1]
        is_cut = burst.start_s < CADENCE_S or burst.end_s > length_s - CADENCE_S
        is_long = not is_cut or burst.on_s > on_s
        if tone is None or (is_long and not _is_near(burst.on_s, on_s)):
            break
        if n and not _is_pause(burst.start_s - bursts[at + n - 1].end_s, off_s, part):
            break
        if n and off_s >= CADENCE_S:
            times.append(abs((burst.start_s - bursts[at + n - 1].end_s) / off_s - 1.0))
        if is_long:
            times.append(abs(burst.on_s / on_s - 1.0))
        tones.append(tone)
        n += 1
    if n < n_parts or sum(burst.on_s for burst in bursts[at : at + n]) < LEAST_TONE_S:
        return None
    if n == 1 and not _is_alone(bursts, at, pattern.cadence_s[1], length_s):
        return None
    cost = float(np.mean(times or [0.0])) + FREQUENCY_WEIGHT * float(np.mean(tones))
    return Fit(pattern, phase, n, cost)


def _is_alone(bursts: Sequence[Burst], at: int, off_s: float, length_s: float) -> bool:
    """Whether a single burst is long, and has its cadence's silence after it or before it."""
    if bursts[at].on_s < LEAST_ALONE_S:
        return False
    after_s = bursts[at + 1].start_s if at + 1 < len(bursts) else length_s
    before_s = bursts[at - 1].end_s if at else 0.0
    longest_s = max(after_s - bursts[at].end_s, bursts[at].start_s - before_s)
    return longest_s > SILENT_SHARE * off_s


def _is_pause(heard_s: float, nominal_s: float, part: int) -> bool:
    # Where a row ends without a pause, it does not say when it comes again.
    return _is_near(heard_s, nominal_s) or (part == 0 and nominal_s == 0.0)


def _is_near(heard_s: float, nominal_s: float) -> bool:
    return abs(heard_s - nominal_s) < max(CADENCE_SHARE * nominal_s, CADENCE_S)


def _is_even(one_s: float, other_s: float) -> bool:
    return abs(one_s - other_s) < max(EVEN_SHARE * other_s, EVEN_S)


def _compare_peaks(
    peaks_hz: tuple[float, ...], wanted_hz: tuple[float, ...], percent: float = FREQUENCY_PERCENT
) -> float | None:
    """Mean relative error of the components; `None` where one is missing or too many."""
    if len(peaks_hz) != len(wanted_hz):
        return None
    off = [abs(a / b - 1.0) for a, b in zip(peaks_hz, wanted_hz, strict=True)]
    return float(np.mean(off)) if max(off) < 0.01 * percent else None
