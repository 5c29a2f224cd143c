"""
The transfer function at some frequencies, the window of each chosen from the recording's noise.

`WINDOW_SCALES` are the lengths on offer: `choose_windows` takes the one with the least sum of
noise and bias, and both go into the uncertainty.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.programme import make_programme
from voicecheck.records import Recipe, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import (
    HIGHEST_REPEAT_SHARE,
    REPEATS_BAND_HZ,
    ComplexArray,
    Kernels,
    SweepSpectra,
    compute_kernels,
    compute_sweep_spectra,
)
from voicecheck.response.windows import NoiseDensity, estimate_variance, evaluate_kernel

WINDOW_SCALES = (1.0, 2.0, 4.0)
LONGEST_WINDOW_SHARE = 0.1
"""Bias of the longest window as a share of its difference from the next shorter one."""
COVERAGE, BIAS_COVERAGE = 1.96, 1.2
"""
Two-sided 95 % of a normal deviate, and the same for a bias whose size is a mean over neighbours.

A bias goes through zero along the curve, so that its root mean square is a typical one, not a
bound: 1.2 of it covers 96 of 100 on resonant plants (`tests/bench/interval_coverage.py`).
"""
FLOOR_DB = 0.0001
"""What the arithmetic itself may leave (aliases of harmonics, the derivative for drift)."""
REPEAT_REACH, REPEAT_RATIO = 6, 1.5
"""
Neighbours to either side whose scatter is averaged, and from where on it is believed.

Three sweeps give 4 degrees of freedom a point, 13 correlated points some 30 in all: chance alone
is above 1.5 in 4 of 100 (chi-squared). Lower, sound intervals widen by chance; higher, noise that
comes only with the signal goes unseen.
"""


BESIDE_SHARES = (0.3, 0.4, 0.5, 0.6, 0.7)
"""Places in the gap between a kernel and the next harmonic's, clear of both windows."""


@lru_cache(maxsize=16)
def evaluate_reference(
    recipe: Recipe, rate_hz: int, frequencies_hz: tuple[float, ...], scale: float
) -> ComplexArray:
    """
    What the same windows make of the programme's own sweep.

    The sweep as played has ends and fades, the closed form has none; dividing by this takes the
    difference, and the windows' share in it, out of every point.
    """
    kernel = _make_reference_kernel(recipe, rate_hz)
    return evaluate_kernel(kernel, rate_hz, np.array(frequencies_hz), scale=scale)


@lru_cache(maxsize=4)
def _make_reference_kernel(recipe: Recipe, rate_hz: int) -> Array:
    """Kernel of the programme's own sweep: the same for all points and windows."""
    alone = dataclasses.replace(recipe, n_sweeps=1, rate_hz=rate_hz, step_levels_db=(), tones_hz=())
    programme = make_programme(alone)
    recording = Recording(samples=programme.samples, rate_hz=rate_hz)
    spectra = compute_sweep_spectra(programme, recording, Timeline(latency_s=0.0))
    return compute_kernels(spectra).mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """
    Transfer function at some frequencies, each under the window that suits it.

    All have shape (n_points,). `variance` is that of the complex value, `bias_db` the estimated
    size of what the window takes away, `scale` the window chosen.
    """

    frequency_hz: Array
    values: ComplexArray
    variance: Array
    bias_db: Array
    scale: Array


def compute_transfer(
    kernels: Kernels,
    spectra: SweepSpectra,
    recipe: Recipe,
    frequency_hz: Array,
    noise: NoiseDensity,
    *,
    order: int = 1,
) -> Transfer:
    """
    Transfer function of one order, the window of each point chosen from the recording's noise.

    Parameters
    ----------
    kernels : Kernels
    spectra : SweepSpectra
    recipe : Recipe
    frequency_hz : ndarray, shape (n_points,)
        Of the fundamental; rising, about evenly spaced in log-frequency.
    noise : NoiseDensity
        Of the silence.
    order : int
        1 for the response, m for harmonic m as it stands at the output.

    Returns
    -------
    Transfer

    Notes
    -----
    A tone of f on the player's clock is one of f / stretch on the recorder's; the values are
    taken at nominal frequencies, and the small rest is made up for along the curve itself.
    """
    names = tuple(map(float, frequency_hz))
    output_hz = order * frequency_hz
    delay_s = -kernels.constant_s * math.log(order)
    ratio = _compare_repeats(kernels, spectra, output_hz, delay_s, noise)
    n_behind = min(spectra.n_clean or len(kernels.repeats), len(kernels.repeats))
    mean, variance = [], []
    for scale in WINDOW_SCALES:
        values = evaluate_kernel(
            kernels.mean, kernels.rate_hz, output_hz, delay_s=delay_s, scale=scale
        )
        mean.append(values / evaluate_reference(recipe, spectra.rate_hz, names, scale))
        idle = estimate_variance(output_hz, noise, spectra, scale=scale)
        variance.append(ratio * idle / n_behind)
    mean_all, variance_all = np.array(mean), np.array(variance)
    choice, bias_db = choose_windows(mean_all, variance_all)
    point = np.arange(len(frequency_hz))
    shift_hz = output_hz * (1.0 / spectra.stretch - 1.0)
    slopes = np.gradient(mean_all, output_hz, axis=1) if len(output_hz) > 1 else 0.0 * mean_all
    return Transfer(
        frequency_hz=frequency_hz,
        values=(mean_all + shift_hz * slopes)[choice, point],
        variance=variance_all[choice, point],
        bias_db=bias_db,
        scale=np.array(WINDOW_SCALES)[choice],
    )


def _compare_repeats(
    kernels: Kernels,
    spectra: SweepSpectra,
    output_hz: Array,
    delay_s: float,
    noise: NoiseDensity,
) -> Array:
    """
    How much more the repeats scatter than the silence explains; 1 unless it is clearly more.

    Noise that comes only with the signal is not in the silence; the scatter of the repeats has
    it, but few degrees of freedom, so it is averaged over neighbours and believed only when it
    is well above. A lone sweep has no repeat: what stands beside its kernel says as much.
    """
    n_sweeps = len(kernels.repeats)
    ratio = np.ones(len(output_hz))
    seen = output_hz < HIGHEST_REPEAT_SHARE * REPEATS_BAND_HZ
    if not seen.any():
        return ratio
    if n_sweeps < 2:
        scatter = _listen_beside(kernels, output_hz[seen], delay_s)
    else:
        each = evaluate_kernel(
            kernels.repeats, kernels.repeats_rate_hz, output_hz[seen], delay_s=delay_s
        )
        scatter = np.sum(np.abs(each - each.mean(axis=0)) ** 2, axis=0) / (n_sweeps - 1)
    idle = estimate_variance(output_hz[seen], noise, spectra)
    found = _average_neighbours(scatter / np.maximum(idle, 1e-300), REPEAT_REACH)
    ratio[seen] = np.where(found > REPEAT_RATIO, found, 1.0)
    return ratio


def _listen_beside(kernels: Kernels, output_hz: Array, delay_s: float) -> Array:
    """
    What a lone sweep holds at times where its kernel is silent: noise while it was playing.

    Noise a time t before the sweep passed a frequency stands t before that frequency's place in
    the kernel; the gap to the next harmonic holds nothing else.
    """
    order = math.exp(-delay_s / kernels.constant_s)
    gap_s = kernels.constant_s * math.log((order + 1.0) / order)
    heard = [
        evaluate_kernel(
            kernels.repeats[0], kernels.repeats_rate_hz, output_hz, delay_s=delay_s - share * gap_s
        )
        for share in BESIDE_SHARES
    ]
    return np.asarray(np.mean(np.square(np.abs(heard)), axis=0))


def choose_windows(values: ComplexArray, variance: Array) -> tuple[NDArray[np.intp], Array]:
    """
    Pick the window of each point: least sum of noise and of what the window takes away.

    Parameters
    ----------
    values : ndarray, shape (n_scales, n_points)
        Estimates under each window, shortest first.
    variance : ndarray, shape (n_scales, n_points)
        Their variances by noise.

    Returns
    -------
    choice : ndarray of int, shape (n_points,)
        Row of the window picked.
    bias_db : ndarray, shape (n_points,)
        Half-width of the bias left by it, dB.

    Notes
    -----
    The bias of a window is its difference from the longest one, less the noise of that
    difference: the longest window is flat where the shorter ones are open, so the noise of the
    difference is var_long - var_short to a good approximation. It is averaged over neighbours,
    since a bias is smooth and noise is not.
    """
    size = np.maximum(np.abs(values[-1]), 1e-300)
    relative = variance / size**2
    difference = np.abs((values - values[-1]) / size) ** 2
    excess = np.clip(difference - np.maximum(relative[-1] - relative, 0.0), 0.0, None)
    smooth = np.array([_average_neighbours(row) for row in excess])
    # One more step of the same kind is what the longest window itself may leave out.
    smooth[-1] = LONGEST_WINDOW_SHARE**2 * smooth[-2]
    choice = np.argmin(relative + smooth, axis=0)
    point = np.arange(values.shape[1])
    return choice, 20.0 / math.log(10.0) * np.sqrt(smooth[choice, point])


def _average_neighbours(values: Array, reach: int = 2) -> Array:
    """Mean over `reach` points to either side, fewer at the ends."""
    sums = np.convolve(values, np.ones(2 * reach + 1), mode="same")
    return np.asarray(sums / _count_neighbours(len(values), reach))


@lru_cache(maxsize=64)
def _count_neighbours(n_points: int, reach: int) -> Array:
    return np.convolve(np.ones(n_points), np.ones(2 * reach + 1), mode="same")


def estimate_uncertainty_db(transfer: Transfer) -> tuple[Array, Array]:
    """
    Standard deviation of each level by noise, and what the window may have taken.

    Parameters
    ----------
    transfer : Transfer

    Returns
    -------
    noise_db, bias_db : ndarray, shape (n_points,)
        dB. The half-width of a 95 % interval is the root sum square of 1.96 times the one and
        the other (`combine_uncertainty_db`).

    Notes
    -----
    A level has the standard deviation 8.686 sqrt(var / 2) / |H|: half of the complex error lies
    along the value.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        noise_db = 20.0 / math.log(10.0) * np.sqrt(transfer.variance / 2.0)
        noise_db = noise_db / np.abs(transfer.values)
    return noise_db, np.hypot(BIAS_COVERAGE * transfer.bias_db, FLOOR_DB)


def combine_uncertainty_db(noise_db: Array, bias_db: Array) -> Array:
    """Half-width of a 95 % interval from a standard deviation and a bound on the bias, dB."""
    return np.asarray(np.hypot(COVERAGE * noise_db, bias_db))
