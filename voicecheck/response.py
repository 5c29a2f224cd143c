"""
Deconvolution of the sweeps: linear and harmonic kernels, windowed for each frequency.

The recorded sweep is divided by the closed-form spectrum of the endless sweep,
A/2 sqrt(L/f) exp(j (2 pi f L (1 - ln(f/f1)) - pi/4)), which needs no regularisation inside the
band (Novak, Lotton, Simon, J. Audio Eng. Soc. 63(10), 2015). A recorder whose clock runs fast by
d hears a sweep with L (1 + d) and f1 / (1 + d): drift is a parameter of the inverse, and nothing
is resampled. The kernel of harmonic m stands L ln m before the linear one.

The transfer function at f is the kernel's Fourier sum under a window of a fixed number of cycles
of f. A longer window follows sharper resonances and lets in more noise; `WINDOW_SCALES` are the
lengths on offer, and `choose_windows` picks one for each point.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.programme import (
    compute_sweep_constant_s,
    compute_sweep_duration_s,
    make_programme,
)
from voicecheck.records import Programme, Recipe, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db

ComplexArray = NDArray[np.complex128]

CYCLES_BEFORE, CYCLES_AFTER = 4.0, 10.0
WINDOW_SCALES = (1.0, 2.0, 4.0)
LONGEST_WINDOW_SHARE = 0.1
"""Bias of the longest window as a share of its difference from the next shorter one."""
COVERAGE, BIAS_COVERAGE = 1.96, 1.2
FLOOR_DB = 0.0001
"""What the arithmetic itself may leave (aliases of harmonics, the derivative for drift)."""
REPEAT_REACH, REPEAT_RATIO = 6, 1.5
LOW_BAND_HZ = 4800.0
"""Band in which whole sweeps are compared with each other."""
REPEATS_BAND_HZ, HIGHEST_REPEAT_SHARE = 8000.0, 0.6
"""Band in which single sweeps are compared, and the part of it that its edge leaves alone."""
LEAD_S = 0.03
HIGHEST_ORDER = 5
_LOG_BINS_PER_OCTAVE = 192
_LOWEST_LOG_HZ = 80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSpectra:
    """
    Spectra of the recorded sweeps, each with its own start moved to time 0.

    `values` has shape (n_sweeps, n_fft // 2 + 1); `constant_s` and `start_hz` are those of the
    sweep as the recorder's clock sees it.
    """

    values: ComplexArray
    n_fft: int
    rate_hz: int
    constant_s: float
    start_hz: float
    amplitude: float
    stretch: float = 1.0


def compute_sweep_spectra(
    programme: Programme, recording: Recording, timeline: Timeline
) -> SweepSpectra:
    """
    Cut out the sweeps and transform them.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
        Where the programme lies in the recording.

    Returns
    -------
    SweepSpectra
    """
    from scipy import fft

    recipe, rate_hz = programme.recipe, recording.rate_hz
    length_s = compute_sweep_duration_s(recipe) * timeline.stretch
    count = math.ceil((length_s + LEAD_S + recipe.sweep_gap_s - 0.01) * rate_hz)
    n_fft = fft.next_fast_len(count, real=True)
    starts_s = [timeline.locate_s(block.start_s) for block in programme.blocks_of("sweep")]
    cuts, shifts = [], []
    for start_s in starts_s:
        first = round((start_s - LEAD_S) * rate_hz)
        cuts.append(_cut(recording.samples, first, count))
        shifts.append(start_s - first / rate_hz)
    values = fft.rfft(np.array(cuts), n_fft, axis=1)
    for index, shift_s in enumerate(shifts):
        values[index] *= _make_phase_ramp(values.shape[1], rate_hz / n_fft, shift_s)
    return SweepSpectra(
        values=values,
        n_fft=n_fft,
        rate_hz=rate_hz,
        constant_s=compute_sweep_constant_s(recipe) * timeline.stretch,
        start_hz=recipe.sweep_from_hz / timeline.stretch,
        amplitude=ratio_from_db(recipe.level_dbfs),
        stretch=timeline.stretch,
    )


def _cut(samples: Array, first: int, count: int) -> Array:
    """`count` samples from `first` on, zeros where the recording has none."""
    begin, end = max(0, first), min(len(samples), first + count)
    cut = np.zeros(count)
    if end > begin:
        cut[begin - first : end - first] = samples[begin:end]
    return cut


def _make_phase_ramp(n_bins: int, step_hz: float, advance_s: float) -> ComplexArray:
    """exp(2 pi j f t) on a regular grid as an outer product, which needs few exponentials."""
    block = 512
    turn = 2j * np.pi * step_hz * advance_s
    fine = np.exp(turn * np.arange(block))
    coarse = np.exp(turn * block * np.arange(-(-n_bins // block)))
    return np.asarray((coarse[:, None] * fine[None, :]).ravel()[:n_bins])


def make_inverse(spectra: SweepSpectra) -> ComplexArray:
    """
    Spectrum of the inverse of the endless sweep on the spectra's grid.

    Returns
    -------
    ndarray, shape (n_fft // 2 + 1,)
        1 / X(f) for a spectrum in samples, 0 below half of the sweep's first frequency.

    Notes
    -----
    With L s and f1 / s for a clock stretched by s, the phase in turns f L s (1 - ln(f s / f1))
    is s times the one at s = 1, less f L s ln s: only that needs doing for each recording.
    """
    stretch = spectra.stretch
    grid = _make_inverse_grid(
        spectra.n_fft,
        spectra.rate_hz,
        round(spectra.constant_s / stretch, 12),
        round(spectra.start_hz * stretch, 9),
    )
    turns = stretch * grid.turns - stretch * math.log(stretch) * grid.cycles
    # Once reduced to one turn, single precision is good for 1e-7: noise at -140 dB.
    angle = (2.0 * np.pi * (0.125 - (turns - np.floor(turns)))).astype(np.float32)
    size = grid.size / (spectra.amplitude * math.sqrt(stretch))
    inverse = np.empty(len(size), dtype=np.complex128)
    np.multiply(size, np.cos(angle), out=inverse.real)
    np.multiply(size, np.sin(angle), out=inverse.imag)
    return inverse


@dataclass(frozen=True, slots=True, kw_only=True)
class _InverseGrid:
    """Phase in turns, f L, and magnitude for an amplitude of 1, on one grid of frequencies."""

    turns: Array
    cycles: Array
    size: Array


@lru_cache(maxsize=8)
def _make_inverse_grid(
    n_fft: int, rate_hz: int, constant_s: float, start_hz: float
) -> _InverseGrid:
    step_hz = rate_hz / n_fft
    frequency_hz = np.arange(n_fft // 2 + 1) * step_hz
    frequency_hz[0] = step_hz
    cycles = np.asarray(frequency_hz * constant_s)
    # Below the sweep there is only noise to divide: fade it out over half an octave.
    edge = np.clip(2.0 * np.log2(frequency_hz / (0.5 * start_hz)), 0.0, 1.0)
    return _InverseGrid(
        turns=cycles * (1.0 - np.log(frequency_hz / start_hz)),
        cycles=cycles,
        size=edge * 2.0 / rate_hz * np.sqrt(frequency_hz / constant_s),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernels:
    """
    Impulse responses of the sweeps that are used.

    `mean`, shape (n_fft,), is their average: the linear kernel around sample 0 (circular),
    harmonic m around -L ln m. `repeats`, shape (n_sweeps, n), holds each at `repeats_rate_hz`,
    too low for most harmonics but enough to see how far the sweeps agree.
    """

    mean: Array
    rate_hz: float
    repeats: Array
    repeats_rate_hz: float
    constant_s: float


def compute_kernels(spectra: SweepSpectra, used: Sequence[int] | None = None) -> Kernels:
    """
    Deconvolve the sweeps.

    Parameters
    ----------
    spectra : SweepSpectra
    used : sequence of int, optional
        Which sweeps; all of them when left out.

    Returns
    -------
    Kernels
    """
    from scipy import fft

    values = spectra.values if used is None else spectra.values[list(used)]
    inverse = make_inverse(spectra)
    half = fft.next_fast_len(int(REPEATS_BAND_HZ * spectra.n_fft / spectra.rate_hz), real=True)
    size = 2 * half
    # The band's edge is rounded off, or every kernel would ring there.
    edge = np.clip((half - np.arange(half + 1)) / (0.2 * half), 0.0, 1.0)
    low = inverse[: half + 1] * (0.5 - 0.5 * np.cos(np.pi * edge))
    repeats = fft.irfft(values[:, : half + 1] * low, size, axis=1) * (size / spectra.n_fft)
    mean = values[0] if len(values) == 1 else values.mean(axis=0)
    return Kernels(
        mean=np.asarray(fft.irfft(mean * inverse, spectra.n_fft)),
        rate_hz=spectra.rate_hz,
        repeats=np.asarray(repeats) * (spectra.n_fft / size),
        repeats_rate_hz=spectra.rate_hz * size / spectra.n_fft,
        constant_s=spectra.constant_s,
    )


def evaluate_kernel(
    kernel: Array,
    rate_hz: float,
    frequency_hz: Array,
    *,
    delay_s: float = 0.0,
    scale: float = 1.0,
) -> ComplexArray:
    """
    Fourier sum of a kernel under a window that follows the frequency.

    Parameters
    ----------
    kernel : ndarray, shape (n,) or (n_kernels, n)
        Circular: negative times are at its end.
    rate_hz : float
        Samples per second.
    frequency_hz : ndarray, shape (n_points,)
    delay_s : float
        Where the wanted kernel stands; -L ln m for harmonic m.
    scale : float
        Length of the window, in units of the shortest.

    Returns
    -------
    ndarray, shape (n_points,) or (n_kernels, n_points)
    """
    table = _make_window_table(tuple(map(float, frequency_hz)), float(rate_hz), float(scale))
    origin = round(delay_s * rate_hz)
    local = np.take(
        kernel, np.arange(origin - table.before, origin + table.after), axis=-1, mode="wrap"
    )
    values = np.empty((*kernel.shape[:-1], len(frequency_hz), 2))
    for index, (first, weight) in enumerate(table.windows):
        values[..., index, :] = local[..., first : first + len(weight)] @ weight
    return np.asarray(values[..., 0] + 1j * values[..., 1])


@dataclass(frozen=True, slots=True, kw_only=True)
class _WindowTable:
    """First sample of each window in the stretch from `before` to `after`, and its weights."""

    windows: tuple[tuple[int, Array], ...]
    before: int
    after: int


@lru_cache(maxsize=64)
def _make_window_table(
    frequencies_hz: tuple[float, ...], rate_hz: float, scale: float
) -> _WindowTable:
    """Windows times Fourier factors of all points; real and imaginary parts side by side."""
    before = math.ceil(scale * CYCLES_BEFORE / min(frequencies_hz) * rate_hz) + 1
    after = math.ceil(scale * CYCLES_AFTER / min(frequencies_hz) * rate_hz) + 2
    windows = []
    for frequency_hz in frequencies_hz:
        cycle = rate_hz / frequency_hz
        reach = np.arange(
            -math.ceil(scale * CYCLES_BEFORE * cycle), math.ceil(scale * CYCLES_AFTER * cycle) + 1
        )
        window = _shape_window(reach / (scale * cycle))
        angle = 2.0 * np.pi * reach / cycle
        weight = np.stack([window * np.cos(angle), -window * np.sin(angle)], axis=1)
        windows.append((int(reach[0]) + before, weight))
    return _WindowTable(windows=tuple(windows), before=before, after=after)


def _shape_window(cycles: Array) -> Array:
    """Window against time in cycles: flat in the middle half, raised-cosine ramps outside."""
    rising = (cycles + CYCLES_BEFORE) / (CYCLES_BEFORE / 2)
    falling = (CYCLES_AFTER - cycles) / (CYCLES_AFTER / 2)
    ramp = np.clip(np.minimum(rising, falling), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * ramp))


@lru_cache(maxsize=8)
def compute_window_energy(scale: float = 1.0) -> tuple[float, float]:
    """
    Sum of the window and of its square, in cycles.

    Returns
    -------
    area, energy : float
        Cycles; the variance of a point grows with the energy.
    """
    step = 1e-3
    window = _shape_window(np.arange(-CYCLES_BEFORE, CYCLES_AFTER, step))
    return scale * step * float(np.sum(window)), scale * step * float(np.sum(window**2))


@lru_cache(maxsize=8)
def _make_noise_kernel(scale: float) -> Array:
    """Squared window spectrum against log-frequency, times (frequency ratio)^2."""
    octaves = np.arange(-_LOG_BINS_PER_OCTAVE, _LOG_BINS_PER_OCTAVE + 1) / _LOG_BINS_PER_OCTAVE
    offset = scale * (2.0**octaves - 1.0)
    step = 0.02
    cycles = np.arange(-CYCLES_BEFORE, CYCLES_AFTER, step)
    turned = np.exp(-2j * np.pi * offset[:, None] * cycles[None, :])
    transform = step * (turned @ _shape_window(cycles))
    return np.asarray(np.abs(transform) ** 2 * 4.0**octaves)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseDensity:
    """Noise power on a grid even in log-frequency; white noise of variance s gives s."""

    log_hz: Array
    power: Array


def make_noise_density(spectrum_hz: Array, spectrum: Array) -> NoiseDensity:
    """
    Bring a noise spectrum onto a log-frequency grid, its power kept.

    Parameters
    ----------
    spectrum_hz : ndarray, shape (n_bins,)
        Evenly spaced from 0.
    spectrum : ndarray, shape (n_bins,)
        Noise power per bin such that white noise of variance s gives s in every bin.

    Returns
    -------
    NoiseDensity
    """
    highest_hz = spectrum_hz[-1]
    n_bins = int(math.log2(highest_hz / _LOWEST_LOG_HZ) * _LOG_BINS_PER_OCTAVE)
    edges_hz = _LOWEST_LOG_HZ * 2.0 ** ((np.arange(n_bins + 1) - 0.5) / _LOG_BINS_PER_OCTAVE)
    step_hz = spectrum_hz[1] - spectrum_hz[0]
    total = np.concatenate([[0.0], np.cumsum(spectrum)]) * step_hz
    below = np.interp(edges_hz, np.append(spectrum_hz, highest_hz + step_hz) - step_hz / 2, total)
    return NoiseDensity(
        log_hz=np.log(np.sqrt(edges_hz[1:] * edges_hz[:-1])),
        power=np.diff(below) / np.diff(edges_hz),
    )


def estimate_variance(
    frequency_hz: Array, noise: NoiseDensity, spectra: SweepSpectra, *, scale: float = 1.0
) -> Array:
    """
    Variance of a windowed transfer function from the spectrum of the idle noise.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_points,)
        Frequency at the output.
    noise : NoiseDensity
    spectra : SweepSpectra
        One sweep's amplitude and time scale.
    scale : float
        Length of the window.

    Returns
    -------
    ndarray, shape (n_points,)
        Mean square error of the complex value for one sweep.

    Notes
    -----
    The windows of `evaluate_kernel` slid over the noise, in the frequency domain: var =
    4 s^2 / (L A^2 fs) integral P(v) (v/f)^2 |w(s (v/f - 1))|^2 ln 2 d(octaves). For white noise
    it is 4 s D sigma^2 / (L A^2 fs), D the energy of the window in cycles.
    """
    smooth = np.convolve(noise.power, _make_noise_kernel(scale), mode="same")
    factor = 4.0 * scale**2 / (spectra.constant_s * spectra.amplitude**2 * spectra.rate_hz)
    at_points = np.interp(np.log(frequency_hz), noise.log_hz, smooth)
    return np.asarray(factor * math.log(2.0) / _LOG_BINS_PER_OCTAVE * at_points)


@lru_cache(maxsize=16)
def evaluate_reference(
    recipe: Recipe, rate_hz: int, frequencies_hz: tuple[float, ...], scale: float
) -> ComplexArray:
    """
    What the same windows make of the programme's own sweep.

    The sweep as played has ends and fades, the closed form has none; dividing by this takes the
    difference, and the windows' share in it, out of every point.
    """
    programme = make_programme(dataclasses.replace(recipe, n_sweeps=1, rate_hz=rate_hz))
    recording = Recording(samples=programme.samples, rate_hz=rate_hz)
    spectra = compute_sweep_spectra(programme, recording, Timeline(latency_s=0.0))
    kernel = compute_kernels(spectra).mean
    return evaluate_kernel(kernel, rate_hz, np.array(frequencies_hz), scale=scale)


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
    mean, variance = [], []
    for scale in WINDOW_SCALES:
        values = evaluate_kernel(
            kernels.mean, kernels.rate_hz, output_hz, delay_s=delay_s, scale=scale
        )
        mean.append(values / evaluate_reference(recipe, spectra.rate_hz, names, scale))
        idle = estimate_variance(output_hz, noise, spectra, scale=scale)
        variance.append(ratio * idle / len(kernels.repeats))
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
    is well above.
    """
    n_sweeps = len(kernels.repeats)
    ratio = np.ones(len(output_hz))
    seen = output_hz < HIGHEST_REPEAT_SHARE * REPEATS_BAND_HZ
    if n_sweeps < 2 or not seen.any():
        return ratio
    each = evaluate_kernel(
        kernels.repeats, kernels.repeats_rate_hz, output_hz[seen], delay_s=delay_s
    )
    scatter = np.sum(np.abs(each - each.mean(axis=0)) ** 2, axis=0) / (n_sweeps - 1)
    idle = estimate_variance(output_hz[seen], noise, spectra)
    found = _average_neighbours(scatter / np.maximum(idle, 1e-300), REPEAT_REACH)
    ratio[seen] = np.where(found > REPEAT_RATIO, found, 1.0)
    return ratio


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
    kernel = np.ones(2 * reach + 1)
    counts = np.convolve(np.ones(len(values)), kernel, mode="same")
    return np.asarray(np.convolve(values, kernel, mode="same") / counts)


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


def restore_sweeps(spectra: SweepSpectra, highest_hz: float = LOW_BAND_HZ) -> tuple[Array, float]:
    """
    The recorded sweeps in time, aligned to a fraction of a sample, at a low rate.

    Parameters
    ----------
    spectra : SweepSpectra
    highest_hz : float
        Upper edge of the band that is kept.

    Returns
    -------
    sweeps : ndarray, shape (n_sweeps, n)
    rate_hz : float
    """
    from scipy import fft

    half = fft.next_fast_len(int(highest_hz * spectra.n_fft / spectra.rate_hz), real=True)
    size = 2 * half
    sweeps = fft.irfft(spectra.values[:, : half + 1], size, axis=1) * (size / spectra.n_fft)
    return np.asarray(sweeps), spectra.rate_hz * size / spectra.n_fft
