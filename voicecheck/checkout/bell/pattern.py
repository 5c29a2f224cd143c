"""
The pattern of a bell's blows: after how long it repeats, and which gong each blow struck.

The clapper follows the ringing current. Two gongs and a bias spring set by hand make its gaps and
forces unequal, but a period later the same comes again. Blows of a hand or a typewriter do not
repeat so, and the rhythm of a voice, its pitch, glides and is far quicker.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array

MOST_RISE_DB, RISE_FRAMES = 12.0, 3
"""A rise counts up to so many decibels in so many frames: a loud blow is no more of one."""
DEPTH_DB = 30.0
"""Frames that far under the loudest are the room."""
SHORTEST_S, LONGEST_S = 0.014, 0.105
"""
Of a pattern: two even gongs at 35 Hz of ringing, one gong at 9.5 Hz (ringing is at 16 2/3 to 50 Hz,
common practice, no source; rings of 10.8 and 13 patterns a second were met in recordings).
"""
LEAST_PERIODS, LEAST_S = 4, 0.25
LEAST_LIKENESS = 0.45
"""
Of the blows with themselves up to four periods on. Bells, made and recorded: 0.6 and more; 0.35 at
most in 55 minutes of prompts: `tests/bench/bells.md`.
"""
MOST_QUICK = 0.6
"""A quicker rhythm may be so much as alike: of a voice it is 1 to 5 times, of bells under 0.2."""
NEAR_BEST = 0.8
"""The shortest period that is nearly as alike as the best is the pattern, not twice it."""
REPEATS = 4
DIGIT_FROM_S, DIGIT_TO_S, DIGIT_BLOWS, DIGIT_PULSES = 0.072, 0.15, 2.3, 10.5
"""Pulses of a dial, 7 to 14 a second: taps at opening and closing, ten times at most."""
LOWEST_RINGING_HZ = 15.0
"""Of exchanges 16 2/3 Hz (common practice, no source)."""
LEAST_TURNS = 0.8
"""Share of blows after which the other gong is struck, where two are struck in turn."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """
    How a group of blows repeats.

    `likeness` is the mean correlation with itself one to four periods on, `quick` the greatest
    likeness at a quicker rhythm than a bell's, relative to it.
    """

    period_s: float
    likeness: float
    quick: float


@dataclass(frozen=True, slots=True)
class Turns:
    """
    Two gongs struck in turn.

    `share` is the part of a ringing period from a blow on the lower gong to that on the higher one,
    `difference_db` the level of blows on the higher gong's first note re the lower one's.
    """

    period_s: float
    share: float
    difference_db: float


def list_rises(power_db: Array) -> Array:
    """How much the sudden part rises, decibels a frame apart, shape as given."""
    kept_db = np.maximum(power_db, np.max(power_db) - DEPTH_DB)
    rises = np.zeros(len(kept_db))
    rises[RISE_FRAMES:] = np.clip(kept_db[RISE_FRAMES:] - kept_db[:-RISE_FRAMES], 0.0, MOST_RISE_DB)
    return np.convolve(rises, (0.25, 0.5, 0.25), "same")


def find_pattern(rises: Array, frame_s: float) -> Pattern | None:
    """
    After how long blows repeat.

    Parameters
    ----------
    rises : ndarray, shape (n_frames,)
        As `list_rises` gives them, of one group of blows.
    frame_s : float

    Returns
    -------
    Pattern or None
        `None` where the group is too short for one.

    Examples
    --------
    >>> rises = np.zeros(600)
    >>> rises[5::50] = rises[22::50] = 10.0
    >>> round(find_pattern(rises, 0.001).period_s, 3)
    0.05
    """
    like = _correlate(rises)
    first = round(SHORTEST_S / frame_s)
    last = min(round(LONGEST_S / frame_s), len(like) // LEAST_PERIODS)
    if last - first < RISE_FRAMES or not np.any(rises):
        return None
    scores = np.zeros(last)
    for lag in range(first, last):
        if like[lag] >= np.max(like[lag - 2 : lag + 3]):
            repeats = _list_repeats(like, lag, REPEATS)
            scores[lag] = np.mean([like[at] for at in repeats]) if repeats else 0.0
    best = float(np.max(scores))
    if best <= 0.0:
        return None
    lag = int(np.flatnonzero(scores >= NEAR_BEST * best)[0])
    quick = float(np.max(like[RISE_FRAMES:first])) / best
    return Pattern(_refine(like, lag) * frame_s, float(scores[lag]), quick)


def is_ringing(pattern: Pattern | None, strikes_s: Array) -> bool:
    """
    Whether blows that repeat so are a bell that rings, and neither a voice nor a dialled digit.

    Parameters
    ----------
    pattern : Pattern or None
    strikes_s : ndarray, shape (n_strikes,)
    """
    span_s = float(strikes_s[-1] - strikes_s[0])
    if pattern is None or span_s < LEAST_S:
        return False
    is_alike = pattern.likeness >= LEAST_LIKENESS and pattern.quick <= MOST_QUICK
    is_digit = (
        DIGIT_FROM_S <= pattern.period_s <= DIGIT_TO_S
        and count_blows(pattern, strikes_s) <= DIGIT_BLOWS
        and span_s <= DIGIT_PULSES * pattern.period_s
    )
    return is_alike and not is_digit


def count_blows(pattern: Pattern, strikes_s: Array) -> float:
    """
    Blows in a period; a whole number where they are near one, as a few may be missed or doubled.

    Examples
    --------
    >>> count_blows(Pattern(0.05, 0.9, 0.1), np.delete(0.025 * np.arange(40), 7))
    2.0
    """
    periods = float(strikes_s[-1] - strikes_s[0]) / pattern.period_s
    blows = (len(strikes_s) - 1) / periods
    whole = max(1.0, float(round(blows)))
    return whole if abs(blows - whole) < 0.15 * whole else blows


def find_ringing_hz(blows: float, pattern_hz: float, n_gongs: int) -> float | None:
    """
    Ringing frequency from the blows of a pattern: the clapper goes there and back in a period.

    Four blows are two periods that differ: the clapper's bounce at its stop comes round at every
    other one. One blow is that of one gong, unless two gongs that sound alike could make it at half
    the frequency. Other numbers fit no clapper.

    Examples
    --------
    >>> [find_ringing_hz(blows, 10.0, 2) for blows in (2.0, 4.0, 1.0, 3.0, 2.6)]
    [10.0, 20.0, None, None, None]
    >>> find_ringing_hz(1.0, 20.0, 1), find_ringing_hz(1.0, 40.0, 1)
    (20.0, None)
    """
    is_one = n_gongs == 1 and pattern_hz < 2.0 * LOWEST_RINGING_HZ
    periods = {2.0: 1.0, 4.0: 2.0, 1.0: 1.0 if is_one else None}.get(blows)
    return periods * pattern_hz if periods else None


def find_turns(
    samples: Array, rate_hz: int, strikes_s: Array, gongs_hz: tuple[float, ...]
) -> Turns | None:
    """
    How two gongs are struck in turn.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int
    strikes_s : ndarray, shape (n_strikes,)
        Of one ring.
    gongs_hz : tuple of float
        Their first notes, low to high.

    Returns
    -------
    Turns or None
        `None` where there is one gong, or the blows do not go from one to the other.
    """
    if len(gongs_hz) != 2 or len(strikes_s) < LEAST_PERIODS:
        return None
    forces = _weigh_blows(samples, rate_hz, strikes_s, gongs_hz)
    sides = np.argmax(forces / np.percentile(forces, 75.0, axis=0), axis=1)
    turned = sides[1:] != sides[:-1]
    if np.mean(turned) < LEAST_TURNS:
        return None
    gaps_s = np.diff(strikes_s)
    up_s, down_s = (float(np.median(gaps_s[turned & (sides[:-1] == one)])) for one in (0, 1))
    low, high = (float(np.median(forces[sides == one, one])) for one in (0, 1))
    return Turns(up_s + down_s, up_s / (up_s + down_s), float(20.0 * np.log10(high / low)))


def _weigh_blows(
    samples: Array, rate_hz: int, strikes_s: Array, gongs_hz: tuple[float, ...]
) -> Array:
    """
    What each blow changed in the notes of the gongs, shape (n_strikes, n_gongs).

    A note goes on as it was but for a blow, so the amplitude with its phase is compared before and
    after; the room before the first blow is taken for silence.
    """
    edge_s = 0.001
    ends_s = np.append(strikes_s[1:], strikes_s[-1] + np.median(np.diff(strikes_s)))
    before = np.zeros(len(gongs_hz), dtype=complex)
    forces = np.zeros((len(strikes_s), len(gongs_hz)))
    for index, (from_s, to_s) in enumerate(zip(strikes_s, ends_s, strict=True)):
        first, last = int((from_s + edge_s) * rate_hz), int((to_s - edge_s) * rate_hz)
        last = min(last, len(samples))
        turns = 2.0 * np.pi / rate_hz * np.arange(first, last)
        columns = [wave(turns * hz) for hz in gongs_hz for wave in (np.cos, np.sin)]
        window = np.hanning(last - first + 2)[1:-1]
        basis = np.column_stack(columns) * window[:, None]
        parts = np.linalg.lstsq(basis, samples[first:last] * window, rcond=None)[0]
        after = parts[::2] - 1j * parts[1::2]
        forces[index] = np.abs(after - before)
        before = after
    return forces + 1e-30


def _correlate(rises: Array) -> Array:
    """Correlation with itself at lags up to two thirds of the length, 1 at lag 0."""
    about = rises - np.mean(rises)
    n = len(about)
    spectrum = np.fft.rfft(about, 2 * n)
    raw = np.fft.irfft(np.abs(spectrum) ** 2)[:n] / np.arange(n, 0, -1)
    return np.asarray((raw / (raw[0] + 1e-30))[: 2 * n // 3])


def _list_repeats(like: Array, lag: int, n: int) -> list[int]:
    """Lags of the first repeats, each looked for where those before it point."""
    found: list[int] = []
    period = float(lag)
    for k in range(1, n + 1):
        at = round(k * period)
        if at + 3 >= len(like):
            break
        at += int(np.argmax(like[at - 2 : at + 3])) - 2
        found.append(at)
        period = at / k
    return found


def _refine(like: Array, lag: int) -> float:
    """Period in frames, by the farthest repeat in a row that is still half as alike."""
    period = float(lag)
    for k, at in enumerate(_list_repeats(like, lag, len(like) // lag), start=1):
        left, middle, right = like[at - 1 : at + 2]
        if middle < 0.5 * LEAST_LIKENESS:
            break
        bend = left - 2.0 * middle + right
        aside = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
        period = (at + float(np.clip(aside, -0.5, 0.5))) / k
    return period
