"""
What the sweeps hold beside the linear answer: recorded less what the linear kernel predicts.

The kernel of each sweep is taken out around its arrival, and what remains is played back through
the sweep. At an instant at which the sweep passes f that leaves every sound but those between 0.6 f
and 1.3 f: harmonics of all orders that the band holds, subharmonics, blows, and noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from voicecheck.fourier import raise_cosine
from voicecheck.idle import IdleSpectrum
from voicecheck.records.arrays import Array
from voicecheck.response import Kernels, SweepSpectra

BEFORE_SHARE, AFTER_SHARE = 0.42, 0.5
"""
Of the way to the second harmonic's kernel: what is taken out before and after the arrival.

That is 0.2 s before and 0.24 s after with the default programme, where a resonance of Q 40 at
200 Hz is 100 dB down after 0.74 s and one of Q 10 after 0.2 s.
"""
FADE_S = 0.03
LEFTOVER_HZ = (200.0, 6400.0)
"""Band of what is counted: above 6400 Hz the single sweeps are not held (`REPEATS_BAND_HZ`)."""
INPUT_HZ = (190.0, 3250.0)
"""Where the sweep is while it is looked at: a little more than what is reported."""
CELL_S = 0.005
"""Step in which powers are taken; four of them hold a period of 50 Hz, and a blow a period."""
CELLS_IN_FRAME = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Leftover:
    """
    Powers of what is left, in cells of `CELL_S` along a sweep.

    All have shape (n_cells,): `input_hz` is where the sweep is, `power` the mean square that all
    sweeps have in common (noise taken off; chance makes it negative), `noise` that of one sweep's
    noise, `noise_square` the mean of that squared moment by moment (crackle has more of it than
    hiss), `peak` the largest square of the sweeps' mean. `n_values` is how many independent ones a
    cell holds, `n_sweeps` how many sweeps there are; `doubt` is the half-width of a 95 % interval
    of the noise re the noise: 0 where the sweeps themselves tell it.
    """

    input_hz: Array
    power: Array
    noise: Array
    noise_square: Array
    peak: Array
    n_values: float
    n_sweeps: int
    doubt: float


def compute_leftover(
    kernels: Kernels,
    spectra: SweepSpectra,
    idle: IdleSpectrum,
    *,
    idle_doubt: float,
    gain: Array | None = None,
) -> Leftover:
    """
    Take the linear answer out of each sweep.

    Parameters
    ----------
    kernels : Kernels
    spectra : SweepSpectra
    idle : IdleSpectrum
        Tells the noise where there is one sweep only, or where stretches were mended.
    idle_doubt : float
        Half-width of a 95 % interval of its power, re the power.
    gain : ndarray, shape (n // 2 + 1,), optional
        On the grid of `list_leftover_bins_hz`: by what each output frequency is to be multiplied.

    Returns
    -------
    Leftover

    Notes
    -----
    Of n sweeps with a mean of mean square m and a scatter s about it (n - 1 in the denominator) the
    mean square in common is m - s / n: the mean of the products of any two of them, which noise
    that differs from sweep to sweep does not bias.
    """
    left = _play_back(kernels, gain)
    cell = round(CELL_S * kernels.repeats_rate_hz)
    middle_s = (np.arange(left.shape[1] // cell) + 0.5) * cell / kernels.repeats_rate_hz
    input_hz = spectra.start_hz * np.exp(middle_s / spectra.constant_s)
    first, last = np.searchsorted(input_hz, INPUT_HZ)
    input_hz = input_hz[first:last]
    left = left[:, first * cell : last * cell].reshape(len(left), len(input_hz), cell)
    mean = np.mean(left, axis=0)
    square = np.square(mean)
    n_sweeps = len(left)
    if n_sweeps > 1 and spectra.n_clean is None:
        each = np.sum(np.square(left - mean), axis=0) / (n_sweeps - 1)
        noise, doubt = np.mean(each, axis=1), 0.0
        # The square of a scatter with n - 1 degrees of freedom is larger than that of the variance.
        squares = np.mean(np.square(each), axis=1) * (n_sweeps - 1) / (n_sweeps + 1)
    else:
        noise, doubt = _predict_noise(idle, input_hz), idle_doubt
        squares = np.square(noise)
    return Leftover(
        input_hz=input_hz,
        power=np.mean(square, axis=1) - noise / n_sweeps,
        noise=noise,
        noise_square=squares,
        peak=np.max(square, axis=1),
        n_values=2.0 * _measure_width_hz(idle) * CELL_S,
        n_sweeps=n_sweeps,
        doubt=doubt,
    )


def list_leftover_bins_hz(kernels: Kernels) -> Array:
    """Frequencies at which the single sweeps are held, shape (n // 2 + 1,)."""
    n_bins, size = len(kernels.repeats_inverse), kernels.repeats.shape[1]
    return np.asarray(np.arange(n_bins) * (kernels.repeats_rate_hz / size))


def _play_back(kernels: Kernels, gain: Array | None) -> Array:
    """The sweeps without their linear answers, shape (n_sweeps, n)."""
    size, rate_hz = kernels.repeats.shape[1], kernels.repeats_rate_hz
    kept = _make_opening(size, rate_hz, kernels.constant_s)
    bins_hz = list_leftover_bins_hz(kernels)
    inside = (bins_hz > LEFTOVER_HZ[0]) & (bins_hz < min(LEFTOVER_HZ[1], 0.4 * rate_hz))
    spectrum = np.fft.rfft(kernels.repeats * kept, axis=1)
    forward = np.zeros(len(bins_hz), dtype=np.complex128)
    # The inverse is that of spectra at the recorder's rate.
    forward[inside] = rate_hz / kernels.rate_hz / kernels.repeats_inverse[inside]
    if gain is not None:
        forward *= gain
    spectrum *= forward
    return np.asarray(np.fft.irfft(spectrum, size, axis=1))


@lru_cache(maxsize=8)
def _make_opening(size: int, rate_hz: float, constant_s: float) -> Array:
    """0 around the arrival, 1 elsewhere."""
    way_s = constant_s * math.log(2.0)
    time_s = np.arange(size) / rate_hz
    after = (time_s - AFTER_SHARE * way_s) / FADE_S + 0.5
    before = (size / rate_hz - time_s - BEFORE_SHARE * way_s) / FADE_S + 0.5
    return raise_cosine(after) * raise_cosine(before)


def _predict_noise(idle: IdleSpectrum, input_hz: Array) -> Array:
    """Idle noise in the output band, less what was taken out with the linear answer."""
    bins_hz = idle.frequency_hz
    inside = (bins_hz > LEFTOVER_HZ[0]) & (bins_hz < LEFTOVER_HZ[1])
    below = np.cumsum(np.where(inside, 2.0 * idle.power / idle.n_samples, 0.0))
    first, last = (
        np.interp(input_hz * factor, bins_hz, below)
        for factor in (2.0**-AFTER_SHARE, 2.0**BEFORE_SHARE)
    )
    return np.asarray(below[-1] - (last - first))


def _measure_width_hz(idle: IdleSpectrum) -> float:
    """Width that noise of one density and this one's spread of powers would have, Hz."""
    inside = (idle.frequency_hz > LEFTOVER_HZ[0]) & (idle.frequency_hz < LEFTOVER_HZ[1])
    # Single bins of a periodogram scatter by themselves: means of some tell the shape.
    power = idle.power[inside]
    n = len(power) // 40
    means = power[: 40 * n].reshape(n, 40).mean(axis=1)
    total = float(np.sum(means))
    if total <= 0.0:
        return LEFTOVER_HZ[1] - LEFTOVER_HZ[0]
    step_hz = 40.0 * float(idle.frequency_hz[1] - idle.frequency_hz[0])
    return step_hz * total**2 / float(np.sum(np.square(means)))
