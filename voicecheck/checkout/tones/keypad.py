"""
Keypad tones (DTMF): which digit, how far off, how loud, how long.

A digit is two steady tones and little else, at frequencies near one of each group, for long
enough. Speech rarely is all of that at once; what it fails on first is that nothing else sounds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from voicecheck.checkout.signals import average, find_spans, resample
from voicecheck.fourier import keep_awake
from voicecheck.records import ToneHeard
from voicecheck.records.arrays import Array

LOW_HZ = (697.0, 770.0, 852.0, 941.0)
HIGH_HZ = (1209.0, 1336.0, 1477.0, 1633.0)
KEYS = ("123A", "456B", "789C", "*0#D")
"""AS/CA S002:2010 Table 5, which cites ITU-T Q.23 (PUB)."""
RATE_HZ = 8000
WINDOW, HOP, N_FFT = 176, 32, 1024
LOWEST_HZ, HIGHEST_HZ = 550.0, 3400.0
"""Dial tone and mains lie below and are not held against a digit."""
FARTHEST_PERCENT = 4.0
LEAST_SHARE, LEAST_FITTED_SHARE = 0.7, 0.94
MOST_TWIST_DB = 13.0
LEAST_DBFS = -60.0
SHORTEST_S = 0.03
"""A receiver must take 40 ms and must leave 20 to 25 ms (Q.24 Table A-1, from memory)."""
LONGEST_BREAK_S = 0.025
"""It must take a tone broken for up to 20 ms as one, and a pause of 30 ms for one (the same)."""


@dataclass(frozen=True, slots=True)
class _Frames:
    """Strongest component of each group, frame by frame."""

    key: np.ndarray
    low_hz: Array
    high_hz: Array


def find_digits(samples: Array, rate_hz: int) -> list[ToneHeard]:
    """
    Keypad digits in a recording.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full-scale units.
    rate_hz : int
        8000 or more.

    Returns
    -------
    list of ToneHeard
        In order of time. A tone that is broken for a moment is one digit, with the figures of its
        longer part.
    """
    sound = _remove_below(resample(samples, rate_hz, RATE_HZ))
    if len(sound) < 2 * WINDOW:
        return []
    frames = _look(sound)
    digits: list[ToneHeard] = []
    for first, last in _find_runs(frames.key):
        digit = _measure(sound, frames, first, last)
        if digit is None:
            continue
        before = digits[-1] if digits else None
        if before and before.digit == digit.digit and _is_break(before, digit):
            digit = _join(digits.pop(), digit)
        digits.append(digit)
    return digits


def _is_break(before: ToneHeard, after: ToneHeard) -> bool:
    return after.start_s - before.end_s < LONGEST_BREAK_S


def _join(before: ToneHeard, after: ToneHeard) -> ToneHeard:
    longer = max(before, after, key=lambda part: part.end_s - part.start_s)
    return replace(longer, start_s=before.start_s, end_s=after.end_s)


def _remove_below(sound: Array) -> Array:
    from scipy.signal import butter, sosfiltfilt

    return np.asarray(
        sosfiltfilt(butter(4, LOWEST_HZ, "highpass", fs=RATE_HZ, output="sos"), keep_awake(sound))
    )


def _pass(hz: float) -> float:
    """Amplitude that is left of a tone after `_remove_below`: a Butterworth filter run twice."""
    warped = np.tan(np.pi * LOWEST_HZ / RATE_HZ) / np.tan(np.pi * hz / RATE_HZ)
    return float(1.0 / (1.0 + warped**8))


def _look(sound: Array) -> _Frames:
    """Group peaks of every frame; key -1 where the frame is no digit."""
    window = np.hanning(WINDOW + 2)[1:-1]
    n_frames = 1 + (len(sound) - WINDOW) // HOP
    frame_hz = RATE_HZ / N_FFT
    keys = np.full(n_frames, -1)
    peaks_hz = np.zeros((2, n_frames))
    edges = ((640.0, 1010.0), (1130.0, 1720.0))
    for begin in range(0, n_frames, 4096):
        rows = np.arange(begin, min(begin + 4096, n_frames))
        blocks = sound[rows[:, None] * HOP + np.arange(WINDOW)] * window
        power = np.abs(np.fft.rfft(blocks, N_FFT)) ** 2
        energy = np.sum(blocks**2, axis=1) + 1e-20
        share, size = np.zeros(len(rows)), []
        nearest = []
        for group, (from_hz, to_hz) in enumerate(edges):
            first, last = round(from_hz / frame_hz), round(to_hz / frame_hz)
            at = first + np.argmax(power[:, first:last], axis=1)
            peak = power[np.arange(len(rows)), at]
            peaks_hz[group, rows] = _interpolate(power, at) * frame_hz
            # A sine of amplitude a: peak (a sum(w) / 2)^2, energy a^2 sum(w^2) / 2.
            share += 2.0 * peak * np.sum(window**2) / np.sum(window) ** 2 / energy
            size.append(peak)
            nearest.append(_find_nearest(peaks_hz[group, rows], (LOW_HZ, HIGH_HZ)[group]))
        twist = 10.0 * np.abs(np.log10((size[1] + 1e-20) / (size[0] + 1e-20)))
        is_loud = energy / np.sum(window**2) > 0.5 * 10.0 ** (0.1 * LEAST_DBFS)
        is_digit = (share > LEAST_SHARE) & (twist < MOST_TWIST_DB) & is_loud
        is_digit &= (nearest[0] >= 0) & (nearest[1] >= 0)
        keys[rows] = np.where(is_digit, 4 * nearest[0] + nearest[1], -1)
    return _Frames(keys, peaks_hz[0], peaks_hz[1])


def _interpolate(power: Array, at: np.ndarray) -> Array:
    """Bin of a peak, on a parabola through the logarithms around it."""
    rows = np.arange(len(at))
    left, mid, right = (np.log(power[rows, at + k] + 1e-30) for k in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    return np.asarray(at + np.where(bend < 0.0, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0))


def _find_nearest(found_hz: Array, nominal_hz: tuple[float, ...]) -> np.ndarray:
    off = found_hz[:, None] / np.array(nominal_hz) - 1.0
    nearest = np.argmin(np.abs(off), axis=1)
    is_near = np.min(np.abs(off), axis=1) < 0.01 * FARTHEST_PERCENT
    return np.where(is_near, nearest, -1)


def _find_runs(key: np.ndarray) -> list[tuple[int, int]]:
    """Runs of one key of at least two frames; a single odd frame inside does not part them."""
    key = key.copy()
    lonely = np.flatnonzero((key[1:-1] != key[:-2]) & (key[:-2] == key[2:]) & (key[:-2] >= 0)) + 1
    key[lonely] = key[lonely - 1]
    runs = []
    for code in np.unique(key[key >= 0]):
        runs += [span for span in find_spans(key == code) if span[1] - span[0] >= 2]
    return sorted(runs)


def _measure(sound: Array, frames: _Frames, first: int, last: int) -> ToneHeard | None:
    """The digit of a run of frames, or `None` where it is too short or not steady."""
    low_hz = float(np.median(frames.low_hz[first:last]))
    high_hz = float(np.median(frames.high_hz[first:last]))
    begin = max(0, first * HOP - WINDOW)
    end = min(len(sound), last * HOP + 2 * WINDOW)
    start, stop = _find_ends(sound[begin:end], low_hz, high_hz)
    start, stop = begin + start, begin + stop
    if stop - start < SHORTEST_S * RATE_HZ:
        return None
    # The edges themselves are left out of the fit.
    inner = slice(start + 16, stop - 16)
    low_hz, high_hz, sizes, share = _fit_pair(sound[inner], low_hz, high_hz)
    row = int(_find_nearest(np.array([low_hz]), LOW_HZ)[0])
    column = int(_find_nearest(np.array([high_hz]), HIGH_HZ)[0])
    if share < LEAST_FITTED_SHARE or min(row, column) < 0 or min(sizes) <= 0.0:
        return None
    low, high = sizes[0] / _pass(low_hz), sizes[1] / _pass(high_hz)
    twist_db = float(20.0 * np.log10(high / low))
    if abs(twist_db) > MOST_TWIST_DB:
        return None
    return ToneHeard(
        kind="dtmf",
        digit=KEYS[row][column],
        start_s=start / RATE_HZ,
        end_s=stop / RATE_HZ,
        low_error_percent=100.0 * (low_hz / LOW_HZ[row] - 1.0),
        high_error_percent=100.0 * (high_hz / HIGH_HZ[column] - 1.0),
        twist_db=twist_db,
        level_dbfs=float(10.0 * np.log10(low**2 + high**2)),
    )


def _find_ends(sound: Array, low_hz: float, high_hz: float) -> tuple[int, int]:
    """Where the weaker-smoothed tones rise through and fall below half their amplitude."""
    turn = -2j * np.pi * np.arange(len(sound)) / RATE_HZ
    length = 64
    # Both tones together, each demodulated: other sound at the edges counts for little.
    power = sum(
        np.abs(average(2.0 * sound * np.exp(turn * hz), length)) ** 2 for hz in (low_hz, high_hz)
    )
    middle = np.median(np.sort(np.asarray(power))[-max(8, len(sound) // 4) :])
    spans = find_spans(np.asarray(power) > 0.25 * middle)
    return max(spans, key=lambda span: span[1] - span[0])


def _fit_pair(
    sound: Array, low_hz: float, high_hz: float
) -> tuple[float, float, tuple[float, float], float]:
    """Frequencies and amplitudes of two sines by least squares, and their share of the power."""
    time_s = (np.arange(len(sound)) - 0.5 * len(sound)) / RATE_HZ
    hz = np.array([low_hz, high_hz])
    values = np.zeros(6)
    for _ in range(3):
        angle = 2.0 * np.pi * time_s[:, None] * hz
        cosine, sine = np.cos(angle), np.sin(angle)
        slopes = 2.0 * np.pi * time_s[:, None]
        weights = values[:4] if np.any(values) else None
        if weights is None:
            basis = np.hstack([cosine, sine])
            values[:4] = np.linalg.lstsq(basis, sound, rcond=None)[0]
            weights = values[:4]
        turning = slopes * (weights[2:] * cosine - weights[:2] * sine)
        basis = np.hstack([cosine, sine, turning])
        values = np.linalg.lstsq(basis, sound, rcond=None)[0]
        hz = hz + np.clip(values[4:], -10.0, 10.0)
    angle = 2.0 * np.pi * time_s[:, None] * hz
    basis = np.hstack([np.cos(angle), np.sin(angle)])
    values = np.linalg.lstsq(basis, sound, rcond=None)[0]
    rest = float(np.mean((sound - basis @ values) ** 2))
    sizes = np.hypot(values[:2], values[2:])
    share = 1.0 - rest / max(float(np.mean(sound**2)), 1e-20)
    return float(hz[0]), float(hz[1]), (float(sizes[0]), float(sizes[1])), share
