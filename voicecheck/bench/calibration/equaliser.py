"""The mouth made flat: a filter for what is played, from the measured curve."""

from __future__ import annotations

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.records.benches import StepResult

HALF_LENGTH_S = 0.04
MOST_DB = 20.0
GRID_HZ = 5.0


def make_equaliser(mouth: StepResult, rate_hz: int) -> Array:
    """
    Symmetric filter that makes the mouth as strong along the band as it is at 1 kHz.

    Parameters
    ----------
    mouth : StepResult
        Of the step "mouth".
    rate_hz : int

    Returns
    -------
    ndarray, shape (n_taps,)
        Odd length; the middle tap is time 0, so the filter shifts no phase. Outside the measured
        band the gain at its edge is kept; no gain is above 20 dB or below -20 dB.

    Raises
    ------
    InputError
        The result has no curve.
    """
    if mouth.frequency_hz is None or mouth.level_db is None:
        message = "mouth: the result has no curve; do the step mouth again"
        raise InputError(message)
    n_bins = int(rate_hz / 2 / GRID_HZ) + 1
    bins_hz = np.linspace(0.0, rate_hz / 2, n_bins)
    points = np.log(mouth.frequency_hz)
    at_1khz_db = np.interp(np.log(1000.0), points, mouth.level_db)
    # A smooth curve through the points: straight lines between them would ring.
    level_db = _interpolate(np.log(np.maximum(bins_hz, 1.0)), points, mouth.level_db)
    gain_db = np.clip(at_1khz_db - level_db, -MOST_DB, MOST_DB)
    impulse = np.fft.irfft(10.0 ** (gain_db / 20.0))
    half = round(HALF_LENGTH_S * rate_hz)
    taps = np.concatenate([impulse[-half:], impulse[: half + 1]])
    return np.asarray(taps * np.hanning(2 * half + 3)[1:-1])


def equalise(samples: Array, taps: Array) -> Array:
    """
    Pass a sound through a symmetric filter without delaying it.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    taps : ndarray, shape (n_taps,)

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    from scipy import fft

    size = fft.next_fast_len(len(samples) + len(taps) - 1, real=True)
    product = fft.rfft(samples, size) * fft.rfft(taps, size)
    half = len(taps) // 2
    return np.asarray(fft.irfft(product, size)[half : half + len(samples)])


def _interpolate(at: Array, points: Array, values: Array) -> Array:
    """Cubic through the points (Hermite, slopes from the neighbours), flat outside them."""
    at = np.clip(at, points[0], points[-1])
    slopes = np.gradient(values, points)
    slopes[[0, -1]] = 0.0
    left = np.clip(np.searchsorted(points, at, side="right") - 1, 0, len(points) - 2)
    width = points[left + 1] - points[left]
    t = (at - points[left]) / width
    one = (1 + 2 * t) * (1 - t) ** 2 * values[left] + t * (1 - t) ** 2 * width * slopes[left]
    other = t**2 * (3 - 2 * t) * values[left + 1] - t**2 * (1 - t) * width * slopes[left + 1]
    return np.asarray(one + other)
