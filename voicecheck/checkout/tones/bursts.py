"""Stretches of one to three steady components: the bursts that call-progress tones are made of."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.signals import average, find_spans, join_spans
from voicecheck.fourier import keep_awake
from voicecheck.records.arrays import Array

RATE_HZ = 8000
SMOOTH_S = 0.04
"""One beat of the slowest pair (25 Hz apart), so that beats are not taken for a cadence."""
LEAST_SHARE = 0.75
"""
Of all power beside it, in the components: a pure tone has nearly all of it, the low tone of a
keypad digit about half. Towards 0.5 a digit becomes a tone; towards 1 a noisy line has no tones.
"""
SHORTEST_S = 0.08
"""Under the table's shortest part (0.1 s): shorter is a click or a word's vowel."""
LONGEST_LOOK_S = 6.0
"""Of a longer stretch the middle is looked at: it is as good, and takes less time."""
SIDE_DB = 16.0
"""
Below the largest component another one still counts: side tones of a fully modulated tone lie 6 dB
down, the first side lobe of the window 31 dB. Less loses the weaker of an uneven pair.
"""
MOST_COMPONENTS = 3
"""Of any row of the table: a carrier with its two side tones."""
PAUSE_SMOOTH_S, PAUSE_DB, SHORTEST_PAUSE_S = 0.005, 9.0, 0.006
LEAST_PAUSES, ALIKE = 2, 1.3
"""
Pauses shorter than `SMOOTH_S` part bursts only where at least so many leave bursts of nearly one
length between them, none under `SHORTEST_S`: not the beats of a pair, not the 60 ms of the slowest
modulation, hardly a word.
"""
JUMP_SHARE = 0.04
"""Step of the frequency that parts two bursts without a pause, over four frames."""
FRAMES_AT_ONCE = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """
    Where components of one kind of tone lie, hertz; `beside_hz` is from where other sound counts.

    `is_split`: bursts follow without a pause, each of one frequency.
    """

    low_hz: float
    high_hz: float
    beside_hz: float
    least_dbfs: float
    is_split: bool = False


BANDS = (
    # A lower end lets in mains at 250 and 300 Hz as components of their own; a higher end the
    # 770 Hz of a keypad. Power under -62 dBFS is a room's, whatever its cadence (PROP).
    Band(low_hz=300.0, high_hz=740.0, beside_hz=200.0, least_dbfs=-62.0),
    Band(low_hz=740.0, high_hz=3400.0, beside_hz=200.0, least_dbfs=-62.0, is_split=True),
    # Tones made by machines; fainter ones are any bench's hum (PROP).
    Band(low_hz=25.0, high_hz=300.0, beside_hz=20.0, least_dbfs=-45.0),
)


@dataclass(frozen=True, slots=True)
class Burst:
    """One stretch of tone; `share` of all power beside it is in its components."""

    start_s: float
    end_s: float
    level_dbfs: float
    peaks_hz: tuple[float, ...]
    share: float

    @property
    def on_s(self) -> float:
        """Its length, seconds."""
        return self.end_s - self.start_s


def find_bursts(sound: Array, band: Band) -> list[Burst]:
    """
    Bursts with their components in a band, in order of time.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        At `RATE_HZ`, full-scale units.
    band : Band

    Returns
    -------
    list of Burst
    """
    if len(sound) < RATE_HZ // 5:
        return []
    squares = _pass_band(sound, band) ** 2
    power = average(squares, round(SMOOTH_S * RATE_HZ))
    fast = average(squares, round(PAUSE_SMOOTH_S * RATE_HZ))
    loudest = float(np.percentile(power, 99.0))
    floor = float(np.percentile(power, 5.0))
    limit = max(
        0.01 * loudest, min(4.0 * floor, 0.25 * loudest), 0.5 * 10 ** (0.1 * band.least_dbfs)
    )
    bursts = []
    for first, last in join_spans(find_spans(power > limit), round(SMOOTH_S * RATE_HZ)):
        level = float(np.median(power[first:last]))
        inner = np.flatnonzero(power[first:last] > 0.5 * level)
        start, end = first + int(inner[0]), first + int(inner[-1]) + 1
        pieces = _part(fast[start:end], start)
        if band.is_split:
            cuts = [cut for piece in pieces for cut in _split(sound, *piece, band)]
            pieces = [_trim(fast[first:last], first) for first, last in cuts]
        told = [_measure(sound, *piece, band) for piece in pieces]
        bursts += [burst for burst in told if burst is not None]
    return bursts


def _part(power: Array, start: int) -> list[tuple[int, int]]:
    """Bursts between short even pauses; the whole stretch where it has none."""
    whole = [(start, start + len(power))]
    level = float(np.median(power))
    least = round(SHORTEST_PAUSE_S * RATE_HZ)
    low = find_spans(power < level * 10.0 ** (-0.1 * PAUSE_DB))
    pauses = [(first, last) for first, last in low if last - first >= least]
    if len(pauses) < LEAST_PAUSES:
        return whole
    edges = [0, *(bound for pause in pauses for bound in pause), len(power)]
    parts = [part for part in zip(edges[::2], edges[1::2], strict=True) if part[0] < part[1]]
    pieces = [_trim(power[first:last], start + first) for first, last in parts]
    lengths = [last - first for first, last in pieces]
    if len(pieces) <= LEAST_PAUSES or min(lengths) < SHORTEST_S * RATE_HZ:
        return whole
    return pieces if max(lengths) < ALIKE * min(lengths) else whole


def _trim(power: Array, start: int) -> tuple[int, int]:
    """A burst from edge to edge: a mean over 5 ms is half the level there."""
    loud = np.flatnonzero(power > 0.5 * float(np.median(power)))
    return start + int(loud[0]), start + int(loud[-1]) + 1


def _pass_band(sound: Array, band: Band) -> Array:
    from scipy.signal import butter, sosfiltfilt

    edges = (max(10.0, band.low_hz - 60.0), min(band.high_hz + 80.0, 3900.0))
    sos = butter(4, edges, "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfiltfilt(sos, keep_awake(sound)))


def _split(sound: Array, start: int, end: int, band: Band) -> list[tuple[int, int]]:
    """Pieces of one frequency each."""
    length, hop = 320, 80
    n_frames = (end - start - length) // hop
    if n_frames < 8:
        return [(start, end)]
    at = start + hop * np.arange(n_frames)
    step_hz = RATE_HZ / 2048
    first = int(band.low_hz / step_hz)
    peak_hz = np.empty(n_frames)
    for begin in range(0, n_frames, FRAMES_AT_ONCE):
        rows = slice(begin, begin + FRAMES_AT_ONCE)
        blocks = sound[at[rows, None] + np.arange(length)] * np.hanning(length)
        power = np.abs(np.fft.rfft(blocks, 2048))
        peak_hz[rows] = (first + np.argmax(power[:, first:], axis=1)) * step_hz
    has_jump = np.zeros(n_frames, dtype=bool)
    has_jump[2:-2] = np.abs(peak_hz[4:] / peak_hz[:-4] - 1.0) > JUMP_SHARE
    cuts = [int(at[(a + b - 1) // 2] + length // 2) for a, b in join_spans(find_spans(has_jump), 3)]
    edges = [start, *cuts, end]
    return list(itertools.pairwise(edges))


def _measure(sound: Array, start: int, end: int, band: Band) -> Burst | None:
    if end - start < SHORTEST_S * RATE_HZ:
        return None
    inner = sound[start + 80 : end - 80]
    over = max(0, len(inner) - round(LONGEST_LOOK_S * RATE_HZ)) // 2
    peaks_hz, share = _look(inner[over : len(inner) - over], band)
    if share <= LEAST_SHARE:
        return None
    dbfs = float(10.0 * np.log10(2.0 * np.mean(inner**2) + 1e-30))
    return Burst(start / RATE_HZ, end / RATE_HZ, dbfs, peaks_hz, share)


def _look(sound: Array, band: Band) -> tuple[tuple[float, ...], float]:
    """Components of a stretch, and their share of all power over `beside_hz`."""
    window = np.hanning(len(sound) + 2)[1:-1]
    n_fft = 1 << max(14, int(np.ceil(np.log2(len(sound)))) + 2)
    power = np.abs(np.fft.rfft(sound * window, n_fft)) ** 2
    step_hz = RATE_HZ / n_fft
    width = max(2, int(2.0 * n_fft / len(sound)))
    left = power.copy()
    left[: int(band.low_hz / step_hz)] = 0.0
    left[int(band.high_hz / step_hz) :] = 0.0
    peaks: list[float] = []
    taken, largest = np.zeros(len(power), dtype=bool), float(np.max(left))
    while len(peaks) < MOST_COMPONENTS:
        at = int(np.argmax(left))
        if left[at] < largest * 10.0 ** (-0.1 * SIDE_DB) or left[at] <= 0.0:
            break
        peaks.append((at + _offset(power, at)) * step_hz)
        near = slice(max(0, at - width), at + width + 1)
        taken[near], left[near] = True, 0.0
    all_power = float(np.sum(power[int(band.beside_hz / step_hz) :])) + 1e-30
    return tuple(sorted(peaks)), float(np.sum(power[taken])) / all_power


def _offset(power: Array, at: int) -> float:
    left, mid, right = (float(np.log(power[at + k] + 1e-30)) for k in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    return 0.5 * (left - right) / bend if bend < 0.0 else 0.0
