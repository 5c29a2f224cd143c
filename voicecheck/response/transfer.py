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

from voicecheck.programme import lay_out, make_sweep
from voicecheck.records import Programme, Recipe, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.response.choosing import choose_windows
from voicecheck.response.mending import count_sound
from voicecheck.response.reflections import take_level
from voicecheck.response.scatter import (
    compare_beside,
    compare_repeats,
    evaluate_beside,
    is_seen,
)
from voicecheck.response.sweeps import (
    ComplexArray,
    Kernels,
    SweepSpectra,
    compute_kernels,
    compute_sweep_spectra,
)
from voicecheck.response.windows import (
    NoiseDensity,
    estimate_variance,
    evaluate_kernel,
    evaluate_with_slope,
)

WINDOW_SCALES = (0.25, 0.5, 1.0, 2.0, 4.0, 16.0)
"""
From 3.5 cycles to 224, or 0.28 s where that is less: a resonance of Q 40 rings for 100 cycles.

Harmonics stand 0.15 s apart and more, and take all but the last.
"""
COVERAGE, BIAS_COVERAGE = 1.96, 1.2
"""
Two-sided 95 % of a normal deviate, and the same for a bias whose size is a mean over neighbours.

A bias goes through zero along the curve, so that its root mean square is a typical one, not a
bound: 1.2 of it covers 96 of 100 on resonant plants (`tests/bench/interval_coverage.py`).
"""
FLOOR_DB = 0.0001
"""What the arithmetic itself may leave (aliases of harmonics, the derivative for drift)."""


@lru_cache(maxsize=32)
def evaluate_reference(
    recipe: Recipe, rate_hz: int, names: bytes, scale: float, *, low: bool
) -> ComplexArray:
    """
    What the same windows make of the programme's own sweep.

    The sweep as played has ends and fades, the closed form has none; dividing by this takes the
    difference, and the windows' share in it, out of every point. `names` are the frequencies as
    bytes, by which what was made once is found again.
    """
    kernel, kernel_rate_hz = _make_reference_kernel(recipe, rate_hz).choose(low=low)
    return evaluate_kernel(kernel, kernel_rate_hz, np.frombuffer(names), scale=scale)


@lru_cache(maxsize=16)
def evaluate_reference_beside(
    recipe: Recipe, rate_hz: int, names: bytes, scale: float
) -> ComplexArray:
    """What the ends of the programme's own sweep leave beside its kernel (`evaluate_beside`)."""
    return evaluate_beside(_make_reference_kernel(recipe, rate_hz), np.frombuffer(names), scale)


@lru_cache(maxsize=4)
def _make_reference_kernel(recipe: Recipe, rate_hz: int) -> Kernels:
    """Kernel of the programme's own sweep: the same for all points and windows."""
    alone = dataclasses.replace(recipe, n_sweeps=1, step_levels_db=(), tones_hz=())
    blocks, end_s = lay_out(alone)
    programme = Programme(recipe=alone, blocks=blocks, samples=np.empty(0))
    (sweep,) = programme.blocks_of("sweep")
    # The recorder's rate may be one that no programme is played at.
    samples = np.zeros(round(end_s * rate_hz))
    here = np.arange(math.floor(sweep.start_s * rate_hz), math.ceil(sweep.end_s * rate_hz))
    samples[here] = make_sweep(recipe, here / rate_hz - sweep.start_s)
    recording = Recording(samples=samples, rate_hz=rate_hz)
    spectra = compute_sweep_spectra(programme, recording, Timeline(latency_s=0.0))
    return compute_kernels(spectra)


@lru_cache(maxsize=4)
def evaluate_reference_level(recipe: Recipe, rate_hz: int) -> tuple[Array, Array]:
    """What `take_level` finds of the programme's own sweep."""
    return take_level(_make_reference_kernel(recipe, rate_hz))


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
    names = np.asarray(frequency_hz, dtype=np.float64).tobytes()
    output_hz = order * frequency_hz
    delay_s = -kernels.constant_s * math.log(order)
    low = order == 1 and is_seen(output_hz)
    kernel, rate_hz = kernels.choose(low=low)
    scales = WINDOW_SCALES if order == 1 else WINDOW_SCALES[:-1]
    excess = repeats = compare_repeats(kernels, spectra, output_hz, delay_s, noise)
    mean, variance = [], []
    shift_hz = output_hz * (1.0 / spectra.stretch - 1.0)
    for scale in scales:
        values, slopes = evaluate_with_slope(
            kernel, rate_hz, output_hz, delay_s=delay_s, scale=scale
        )
        reference = evaluate_reference(recipe, spectra.rate_hz, names, scale, low=low)
        mean.append((values + shift_hz * slopes) / reference)
        idle = estimate_variance(output_hz, noise, spectra, scale=scale)
        n_sweeps = count_sound(
            spectra, len(kernels.repeats), output_hz, delay_s=delay_s, scale=scale
        )
        if low and scale <= 1.0:
            beside = evaluate_beside(kernels, output_hz, scale)
            beside -= mean[-1] * evaluate_reference_beside(recipe, spectra.rate_hz, names, scale)
            excess = repeats.join(compare_beside(beside, n_sweeps, idle, scale=scale))
        variance.append(excess.apply(idle, scale) / n_sweeps)
    mean_all, variance_all = np.array(mean), np.array(variance)
    choice, bias_db = choose_windows(mean_all, variance_all, scales)
    point = np.arange(len(frequency_hz))
    return Transfer(
        frequency_hz=frequency_hz,
        values=mean_all[choice, point],
        variance=variance_all[choice, point],
        bias_db=bias_db,
        scale=np.array(scales)[choice],
    )


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
