"""
Call-progress tones: dial tone, ringing, busy, reorder, by what a region's exchanges send.

Steady stretches of one or two low tones are found first; then the rows of the tone table are
tried on them, and the row that explains most of the time from there on is taken.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from voicecheck.checkout.limits import load_rows
from voicecheck.checkout.signals import average, find_spans, join_spans, resample
from voicecheck.records import ToneHeard
from voicecheck.records.arrays import Array

TABLE = "standards/itu_t_e180_tones.csv"
KINDS = {
    "dial": "dial-tone",
    "ringback": "ringing",
    "ringback A": "ringing",
    "ringback B": "ringing",
    "busy": "busy",
    "busy (engaged)": "busy",
    "reorder": "reorder",
    "reorder (congestion)": "reorder",
    "congestion": "reorder",
}
RATE_HZ = 8000
LOWEST_HZ, HIGHEST_HZ = 300.0, 740.0
"""
The table's components lie from 350 to 720 Hz. A lower end lets in mains at 250 and 300 Hz as
components of their own; a higher end the 770 Hz of a keypad.
"""
SMOOTH_S = 0.04
"""One beat of the slowest pair (25 Hz apart), so that beats are not taken for a cadence."""
LEAST_DBFS = -62.0
"""Power below this is a room's, whatever its cadence (PROP): lower, and hiss makes bursts."""
LEAST_SHARE = 0.75
"""
Of all power over 200 Hz, in the components: a pure tone has nearly all of it, the low tone of a
keypad digit about half. Towards 0.5 a digit becomes a tone; towards 1 a noisy line has no tones.
"""
SHORTEST_S = 0.08
"""Under half of the table's shortest part (0.2 s): shorter is a click or a word's vowel."""
SIDE_DB = 16.0
"""
Below the largest component another one still counts: side tones of a fully modulated tone lie 6 dB
down, the first side lobe of the window 31 dB. Less loses the weaker of an uneven pair.
"""
MOST_COMPONENTS = 3
"""Of any row of the table: a carrier with its two side tones."""
FREQUENCY_PERCENT = 3.0
"""
Off the table (common practice, no source). Rows at 425 and 440 Hz are 3.5 % apart, so that a tone
between them fits both and the nearer counts; from some 6 % on 400 Hz fits 425 Hz too.
"""
CADENCE_SHARE, CADENCE_S = 0.2, 0.04
"""
Off a part of the cadence, whichever is more: exchanges' timers wander (common practice, no source),
and an edge is as blurred as `SMOOTH_S`. The table's 0.2 and 0.25 s are not told apart by it.
"""
STEADY_S = 2.2
"""A tone that stays longer without a pause is steady: rings last up to 2 s."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One row of the tone table: `peaks_hz` as a spectrum shows it, modulation included."""

    region: str
    kind: str
    carriers_hz: tuple[float, ...]
    peaks_hz: tuple[float, ...]
    cadence_s: tuple[float, ...]
    source: str


@dataclass(frozen=True, slots=True)
class _Burst:
    """One stretch of tone."""

    start_s: float
    end_s: float
    level_dbfs: float
    peaks_hz: tuple[float, ...]


@cache
def load_patterns(region: str = "") -> tuple[Pattern, ...]:
    """
    Tones of a region, or of all.

    Parameters
    ----------
    region : str
        As the table names it; "" for all.

    Returns
    -------
    tuple of Pattern

    Examples
    --------
    >>> [p.kind for p in load_patterns("Germany")]
    ['dial-tone', 'ringing', 'busy', 'reorder']
    """
    patterns = []
    for row in load_rows(TABLE):
        is_meant = region in ("", row["region"]) and not row["region"].startswith("any")
        if row["tone"] not in KINDS or not is_meant:
            continue
        terms = [term.partition("*") for term in row["frequency_hz"].split("+")]
        carriers = tuple(float(carrier) for carrier, _, _ in terms)
        sides = [
            float(carrier) + sign * float(by)
            for carrier, _, by in terms
            if by
            for sign in (-1.0, 1.0)
        ]
        found = re.findall(r"([0-9.]+) o(?:n|ff)", row["cadence_on_off_s"])
        patterns.append(
            Pattern(
                region=row["region"],
                kind=KINDS[row["tone"]],
                carriers_hz=carriers,
                peaks_hz=tuple(sorted((*carriers, *sides))),
                cadence_s=tuple(map(float, found)),
                source=f"{row['cites'] or 'tone table'} ({row['provenance']})",
            )
        )
    return tuple(patterns)


def find_progress_tones(samples: Array, rate_hz: int, region: str = "") -> list[ToneHeard]:
    """
    Dial tone, ringing, busy and reorder in a recording.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full-scale units.
    rate_hz : int
        8000 or more.
    region : str
        "" tries the tones of every region.

    Returns
    -------
    list of ToneHeard
        In order of time; a tone that no row explains is left out.
    """
    sound = resample(samples, rate_hz, RATE_HZ)
    bursts = _find_bursts(sound)
    patterns = load_patterns(region)
    events = []
    index = 0
    while index < len(bursts):
        best, n_best, cost_best = None, 0, np.inf
        for pattern in patterns:
            n, cost = _explain(bursts[index:], pattern)
            if n and (n > n_best or (n == n_best and cost < cost_best)):
                best, n_best, cost_best = pattern, n, cost
        if best is not None:
            heard = _describe(bursts[index : index + n_best], best)
            events.append(replace(heard, region=region or None))
        index += max(n_best, 1)
    return events


def _find_bursts(sound: Array) -> list[_Burst]:
    from scipy.signal import butter, sosfiltfilt

    if len(sound) < RATE_HZ // 5:
        return []
    band = butter(4, (LOWEST_HZ - 60.0, HIGHEST_HZ + 80.0), "bandpass", fs=RATE_HZ, output="sos")
    length = round(SMOOTH_S * RATE_HZ)
    power = average(sosfiltfilt(band, sound) ** 2, length)
    loudest = float(np.percentile(power, 99.0))
    floor = float(np.percentile(power, 5.0))
    limit = max(0.01 * loudest, min(4.0 * floor, 0.25 * loudest), 0.5 * 10 ** (0.1 * LEAST_DBFS))
    rough = join_spans(find_spans(power > limit), length)
    bursts = []
    for first, last in rough:
        level = float(np.median(power[first:last]))
        inner = np.flatnonzero(power[first:last] > 0.5 * level)
        start, end = first + int(inner[0]), first + int(inner[-1]) + 1
        if end - start < SHORTEST_S * RATE_HZ:
            continue
        peaks_hz, share, dbfs = _look(sound[start + 80 : end - 80])
        if share > LEAST_SHARE:
            bursts.append(_Burst(start / RATE_HZ, end / RATE_HZ, dbfs, peaks_hz))
    return bursts


def _look(sound: Array) -> tuple[tuple[float, ...], float, float]:
    """Components of a stretch, their share of all power over 200 Hz, and the level."""
    window = np.hanning(len(sound) + 2)[1:-1]
    n_fft = 1 << max(14, int(np.ceil(np.log2(len(sound)))) + 2)
    power = np.abs(np.fft.rfft(sound * window, n_fft)) ** 2
    step_hz = RATE_HZ / n_fft
    width = max(2, int(2.0 * n_fft / len(sound)))
    left = power.copy()
    left[: int(LOWEST_HZ / step_hz)] = 0.0
    left[int(HIGHEST_HZ / step_hz) :] = 0.0
    peaks: list[float] = []
    taken, largest = np.zeros(len(power), dtype=bool), float(np.max(left))
    while len(peaks) < MOST_COMPONENTS:
        at = int(np.argmax(left))
        if left[at] < largest * 10.0 ** (-0.1 * SIDE_DB):
            break
        peaks.append((at + _offset(power, at)) * step_hz)
        near = slice(max(0, at - width), at + width + 1)
        taken[near], left[near] = True, 0.0
    all_power = float(np.sum(power[int(200.0 / step_hz) :])) + 1e-30
    share = float(np.sum(power[taken])) / all_power
    dbfs = float(10.0 * np.log10(2.0 * np.mean(sound**2) + 1e-30))
    return tuple(sorted(peaks)), share, dbfs


def _offset(power: Array, at: int) -> float:
    left, mid, right = (float(np.log(power[at + k] + 1e-30)) for k in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    return 0.5 * (left - right) / bend if bend < 0.0 else 0.0


def _explain(bursts: list[_Burst], pattern: Pattern) -> tuple[int, float]:
    """How many bursts from the first on a pattern explains, and how badly it fits them."""
    cost = _compare_peaks(bursts[0].peaks_hz, pattern)
    if cost is None:
        return 0, np.inf
    if not pattern.cadence_s:
        return (1, cost) if bursts[0].end_s - bursts[0].start_s > STEADY_S else (0, np.inf)
    n = 0
    n_parts = len(pattern.cadence_s)
    for burst in bursts:
        on_s = pattern.cadence_s[2 * n % n_parts]
        off_on = (burst.end_s - burst.start_s) / on_s - 1.0
        if _compare_peaks(burst.peaks_hz, pattern) is None or not _is_near(off_on, on_s):
            break
        if n:
            off_s = pattern.cadence_s[(2 * n - 1) % n_parts]
            gap = (burst.start_s - bursts[n - 1].end_s) / off_s - 1.0
            if not _is_near(gap, off_s):
                break
            cost += abs(gap)
        cost += abs(off_on)
        n += 1
    return n, cost / max(n, 1)


def _is_near(off: float, nominal_s: float) -> bool:
    return abs(off) < max(CADENCE_SHARE, CADENCE_S / nominal_s)


def _compare_peaks(peaks_hz: tuple[float, ...], pattern: Pattern) -> float | None:
    """Mean relative error of the components; `None` where one is missing or too many."""
    if len(peaks_hz) != len(pattern.peaks_hz):
        return None
    off = [abs(a / b - 1.0) for a, b in zip(peaks_hz, pattern.peaks_hz, strict=True)]
    return float(np.mean(off)) if max(off) < 0.01 * FREQUENCY_PERCENT else None


def _describe(bursts: list[_Burst], pattern: Pattern) -> ToneHeard:
    weights = [burst.end_s - burst.start_s for burst in bursts]
    peaks = np.average([burst.peaks_hz for burst in bursts], axis=0, weights=weights)
    # Of a modulated tone the carrier is told, as the table has it.
    carriers = [
        float(peak)
        for peak, nominal in zip(peaks, pattern.peaks_hz, strict=True)
        if nominal in pattern.carriers_hz
    ]
    level = np.average([10.0 ** (0.1 * burst.level_dbfs) for burst in bursts], weights=weights)
    return ToneHeard(
        kind=pattern.kind,
        start_s=bursts[0].start_s,
        end_s=bursts[-1].end_s,
        level_dbfs=float(10.0 * np.log10(level)),
        frequencies_hz=tuple(carriers),
        cadence_s=_measure_cadence(bursts, len(pattern.cadence_s)),
    )


def _measure_cadence(bursts: list[_Burst], n_parts: int) -> tuple[float, ...]:
    """Mean of every part of the cadence that was heard."""
    parts_s: list[list[float]] = [[] for _ in range(n_parts)]
    for index, burst in enumerate(bursts):
        if not n_parts:
            break
        parts_s[2 * index % n_parts].append(burst.end_s - burst.start_s)
        if index + 1 < len(bursts):
            parts_s[(2 * index + 1) % n_parts].append(bursts[index + 1].start_s - burst.end_s)
    return tuple(float(np.mean(part)) for part in parts_s if part)
