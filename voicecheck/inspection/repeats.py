"""What is in one repeat of the sweep and not in the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array

RESIDUAL_FRAME_S = 0.005
"""The length of a short burst: longer frames dilute it, shorter ones scatter more by chance."""
RESIDUAL_FLOOR = 0.03
"""
Share of the sweep's own level that repeats may differ by before a frame is called disturbed.

An element that creeps by 0.25 dB (3 %) between sweeps is not a disturbance (judgement, no source).
"""
RESIDUAL_RATIO = 4.0
"""
Amplitude of a frame over the usual one: Gaussian noise reaches 1.4 among 1800 frames (measured at
-40 and -70 dBFS). At 1.5 clean recordings lose sweeps; each dB more hides a dB of burst.
"""
JOIN_S = 0.06
"""Disturbed frames less than this apart belong to one event."""


def compare_repeats(
    repeats: Array, idle_rms: float, rate_hz: float
) -> tuple[NDArray[np.bool_], list[list[tuple[float, float]]]]:
    """
    Find what is in one repeat of the sweep and not in the others.

    Parameters
    ----------
    repeats : ndarray, shape (n_sweeps, n_samples)
        The recorded sweeps, aligned to a fraction of a sample.
    idle_rms : float
        RMS of the idle noise at the same bandwidth.
    rate_hz : float
        Rate of `repeats`.

    Returns
    -------
    disturbed : ndarray of bool, shape (n_sweeps,)
    events : list of list of (float, float)
        For each sweep, from when to when in it; seconds from its first sample.

    Notes
    -----
    With three or more repeats the reference is their median, sample by sample, so that the odd
    one stands out; with two it is not possible to say which one is disturbed, and both are.
    """
    n_sweeps = len(repeats)
    disturbed = np.zeros(n_sweeps, dtype=bool)
    events: list[list[tuple[float, float]]] = [[] for _ in range(n_sweeps)]
    if n_sweeps < 2:
        return disturbed, events
    reference = _take_middle(repeats) if n_sweeps > 2 else repeats[::-1]
    frame = max(1, round(RESIDUAL_FRAME_S * rate_hz))
    n_frames = repeats.shape[1] // frame

    def frame_power(values: Array) -> Array:
        cut = values[..., : n_frames * frame]
        return np.asarray(np.mean(cut.reshape(*cut.shape[:-1], n_frames, frame) ** 2, axis=-1))

    own = frame_power(repeats - reference)
    # A burst is a jump over what the repeats differ by elsewhere in the same sweeps.
    usual = np.median(own, axis=-1, keepdims=True)
    limit = RESIDUAL_RATIO**2 * np.maximum(idle_rms**2, usual)
    hot = own > limit + RESIDUAL_FLOOR**2 * frame_power(reference)
    for index in range(n_sweeps):
        events[index] = _join_frames(np.flatnonzero(hot[index]), frame / rate_hz)
        disturbed[index] = bool(events[index])
    return disturbed, events


def _join_frames(frames: NDArray[np.intp], frame_s: float) -> list[tuple[float, float]]:
    """Runs of frames as start and end times; what is less than `JOIN_S` apart is one event."""
    if len(frames) == 0:
        return []
    breaks = np.flatnonzero(np.diff(frames) * frame_s > JOIN_S)
    first = frames[np.concatenate([[0], breaks + 1])]
    last = frames[np.concatenate([breaks, [len(frames) - 1]])]
    return [
        (float(a * frame_s), float((b + 1) * frame_s)) for a, b in zip(first, last, strict=True)
    ]


def _take_middle(repeats: Array) -> Array:
    """Median over the repeats, sample by sample; of three without sorting."""
    if len(repeats) != 3:
        return np.asarray(np.median(repeats, axis=0))
    first, second, third = repeats
    low, high = np.minimum(first, second), np.maximum(first, second)
    return np.asarray(np.maximum(low, np.minimum(high, third)))
