"""Crackle in silence and under a tone, counted by one measure so that the two can be compared."""

from __future__ import annotations

import numpy as np

from voicecheck.fourier import raise_cosine
from voicecheck.frying import FryingWatch
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

TONE_HZ = 1000.0
HALF_S = 12.0
"""Of silence, and of tone; two events a second that come at random are then 24 with a standard
deviation of 5 (Poisson)."""
EDGE_S = 1.0
"""Left out at either end of a half: latency of the interface, and what the notches ring."""
NOTCH_QUALITY, N_HARMONICS = 12.0, 3


def make_crackle_sound(rate_hz: int, peak: float) -> Array:
    """
    Silence, then a tone with soft ends.

    Parameters
    ----------
    rate_hz : int
    peak : float
        Of the tone, full-scale units.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    n_half = round(HALF_S * rate_hz)
    tone = peak * np.sin(2.0 * np.pi * TONE_HZ / rate_hz * np.arange(n_half))
    n_ramp = round(0.02 * rate_hz)
    ramp = raise_cosine(np.arange(n_ramp) / n_ramp)
    tone[:n_ramp] *= ramp
    tone[n_half - n_ramp :] *= ramp[::-1]
    return np.concatenate([np.zeros(n_half), tone])


def count_crackle(recording: Recording) -> tuple[int, int]:
    """
    Bursts in the silence and under the tone of `make_crackle_sound`.

    Parameters
    ----------
    recording : Recording
        Begins at most a second before the sound does.

    Returns
    -------
    quiet, sounding : int
        In equally long stretches.
    """
    rate_hz = recording.rate_hz
    edge, half = round(EDGE_S * rate_hz), round(HALF_S * rate_hz)
    samples = recording.samples
    quiet = samples[edge : half - edge]
    # The notches ring while the tone sets in: their first second is theirs.
    sounding = _take_out_tone(samples[half + edge // 2 : 2 * half - edge // 2], rate_hz)
    return _count(quiet, rate_hz), _count(sounding[edge // 2 : edge // 2 + len(quiet)], rate_hz)


def _count(samples: Array, rate_hz: int) -> int:
    watch = FryingWatch(rate_hz)
    return len(watch.update(samples)) + len(watch.finish())


def _take_out_tone(samples: Array, rate_hz: int) -> Array:
    from scipy.signal import iirnotch, lfilter

    for order in range(1, N_HARMONICS + 1):
        upper, lower = iirnotch(order * TONE_HZ, NOTCH_QUALITY * order, fs=rate_hz)
        samples = np.asarray(lfilter(upper, lower, samples))
    return samples
