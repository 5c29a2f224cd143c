"""
Windows that follow the frequency, and what noise does to a value seen through them.

The transfer function at f is the kernel's Fourier sum under a window of a fixed number of cycles
of f. A longer window follows sharper resonances and lets in more noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voicecheck.fourier import make_phasors
from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import ComplexArray, SweepSpectra

CYCLES_BEFORE, CYCLES_AFTER = 4.0, 10.0
"""
Shortest window, in cycles: a handset rings after a wave, not before it.

The error by noise goes with the root of the sum, the bias of a resonance of quality Q with
what still rings where it closes: exp(-pi c / Q) after c cycles, 2 % at 5 and 0.04 % at 10 for
Q 4. The longer windows serve what is sharper.
"""
LONGEST_AFTER_S = 0.2
"""
No window is longer than this, and 0.08 s before: the kernel of the second harmonic ends 0.4 s
before the linear one, and what a handset still does after 0.2 s is noise.
"""
LEAST_POWER = 1e-24
"""Of noise in a bin, -237 dBFS: below what the arithmetic itself leaves."""
WINDOWS_IN_ONE = 8
"""Neighbouring points that one matrix product serves; the shorter windows get a few zeros."""
_LOG_BINS_PER_OCTAVE = 192
"""A window of 56 cycles resolves 1/39 octave: five bins across it."""
LONGEST_SEEN = 4.0
"""That window's scale."""
_LOWEST_LOG_HZ = 80.0
"""More than an octave below the lowest point, 200 Hz, as far as `_make_noise_kernel` reaches."""


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
        Length of the window, in units of 4 cycles before and 10 after.

    Returns
    -------
    ndarray, shape (n_points,) or (n_kernels, n_points)
    """
    table = _get_window_table(frequency_hz, rate_hz, scale)
    return _sum_windows(table, kernel, np.array(round(delay_s * rate_hz)))


def evaluate_with_slope(
    kernel: Array, rate_hz: float, frequency_hz: Array, *, delay_s: float = 0.0, scale: float = 1.0
) -> tuple[ComplexArray, ComplexArray]:
    """
    The same for one kernel, and its derivative by frequency under the same windows, per Hz.

    Parameters
    ----------
    kernel : ndarray, shape (n,)
    rate_hz : float
    frequency_hz : ndarray, shape (n_points,)
    delay_s : float
    scale : float

    Returns
    -------
    values, slopes : ndarray, shape (n_points,) each
    """
    table = _get_window_table(frequency_hz, rate_hz, scale)
    reach = np.arange(-table.before, table.after)
    local = np.take(kernel, round(delay_s * rate_hz) + reach, mode="wrap")
    values, moments = table.apply(np.array([local, local * (reach / rate_hz)]))
    return values, -2j * np.pi * moments


def evaluate_places(
    kernel: Array, rate_hz: float, frequency_hz: Array, delays_s: Array, *, scale: float = 1.0
) -> ComplexArray:
    """
    The same at several places of one kernel.

    Parameters
    ----------
    kernel : ndarray, shape (n,)
    rate_hz : float
    frequency_hz : ndarray, shape (n_points,)
    delays_s : ndarray, shape (n_places,)
    scale : float

    Returns
    -------
    ndarray, shape (n_places, n_points)
        Each with its own origin of phase: for powers.
    """
    table = _get_window_table(frequency_hz, rate_hz, scale)
    return _sum_windows(table, kernel, np.rint(delays_s * rate_hz).astype(int)[:, None])


def _sum_windows(table: _WindowTable, kernel: Array, origin: NDArray[np.intp]) -> ComplexArray:
    reach = np.arange(-table.before, table.after)
    return table.apply(np.take(kernel, origin + reach, axis=-1, mode="wrap"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _WindowTable:
    """
    First sample of each group of windows in the stretch from `before` to `after`, and weights.

    Weights have shape (n, 2 n_windows): real and imaginary parts in turn.
    """

    windows: tuple[tuple[int, Array], ...]
    before: int
    after: int

    def apply(self, local: Array) -> ComplexArray:
        """Sums over stretches of shape (..., before + after)."""
        values = [local[..., at : at + len(weight)] @ weight for at, weight in self.windows]
        return np.concatenate(values, axis=-1).view(np.complex128)


def _get_window_table(frequency_hz: Array, rate_hz: float, scale: float) -> _WindowTable:
    # Bytes are compared at once, numbers one by one.
    names = np.asarray(frequency_hz, dtype=np.float64).tobytes()
    return _make_window_table(names, float(rate_hz), float(scale))


@lru_cache(maxsize=64)
def _make_window_table(names: bytes, rate_hz: float, scale: float) -> _WindowTable:
    """Windows times Fourier factors of all points; `names` are their frequencies as bytes."""
    frequencies_hz = np.frombuffer(names)
    before_s, after_s = measure_windows(frequencies_hz, scale)
    before = math.ceil(float(np.max(before_s)) * rate_hz) + 1
    after = math.ceil(float(np.max(after_s)) * rate_hz) + 2
    windows = []
    for index in range(0, len(frequencies_hz), WINDOWS_IN_ONE):
        here = slice(index, index + WINDOWS_IN_ONE)
        first = -math.ceil(float(np.max(before_s[here])) * rate_hz)
        reach = np.arange(first, math.ceil(float(np.max(after_s[here])) * rate_hz) + 1)
        turns = -frequencies_hz[here] / rate_hz
        weight = make_phasors(turns, len(reach), first).view(np.float64)
        parts = weight.reshape(*weight.shape[:-1], len(turns), 2)
        parts *= _shape_window(reach, CYCLES_AFTER / (after_s[here] * rate_hz))[..., None]
        windows.append((first + before, weight))
    return _WindowTable(windows=tuple(windows), before=before, after=after)


def measure_windows(frequency_hz: Array, scale: float) -> tuple[Array, Array]:
    """Lengths before and after the kernel's origin, seconds, shape (n_points,) each."""
    after_s = np.minimum(scale * CYCLES_AFTER / frequency_hz, LONGEST_AFTER_S)
    return after_s * (CYCLES_BEFORE / CYCLES_AFTER), after_s


def _shape_window(reach: NDArray[np.int64], cycles_each: ArrayLike) -> Array:
    """
    Window against time: flat in the middle half, raised-cosine ramps outside.

    `reach` counts samples from the middle, shape (n,); `cycles_each` is what one of them is in
    cycles, shape () or (n_windows,). Step by step in one array: this is most of what the first
    analysis of a process computes.
    """
    ramp = np.where(reach < 0, 2.0 / CYCLES_BEFORE, -2.0 / CYCLES_AFTER) * reach
    window = np.multiply.outer(ramp, cycles_each) + 2.0
    np.clip(window, 0.0, 1.0, out=window)
    # The middle is flat in all of them.
    bent = ramp * np.max(cycles_each) < -1.0
    n_before, n_after = np.count_nonzero(bent & (reach < 0)), np.count_nonzero(bent & (reach > 0))
    for part in (window[:n_before], window[len(window) - n_after :]):
        np.multiply(part, np.pi, out=part)
        np.cos(part, out=part)
        np.multiply(part, -0.5, out=part)
        np.add(part, 0.5, out=part)
    return window


@lru_cache(maxsize=8)
def _make_noise_kernel(scale: float) -> Array:
    """Squared window spectrum against log-frequency, times (frequency ratio)^2."""
    octaves = np.arange(-_LOG_BINS_PER_OCTAVE, _LOG_BINS_PER_OCTAVE + 1) / _LOG_BINS_PER_OCTAVE
    offset = scale * (2.0**octaves - 1.0)
    per_cycle = 50
    first = round(-CYCLES_BEFORE * per_cycle)
    count = round((CYCLES_BEFORE + CYCLES_AFTER) * per_cycle)
    window = _shape_window(np.arange(first, first + count), 1.0 / per_cycle)
    transform = window @ make_phasors(-offset / per_cycle, count, first) / per_cycle
    return np.asarray(np.abs(transform) ** 2 * 4.0**octaves)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseDensity:
    """Noise power on a grid even in log-frequency; white noise of variance s gives s."""

    log_hz: Array
    power: Array
    _seen: dict[float, Array] = field(default_factory=dict, init=False, repr=False)

    def see_through(self, scale: float) -> Array:
        """The power as windows of one length let it in; made once for all orders and points."""
        if scale not in self._seen:
            self._seen[scale] = np.convolve(self.power, _make_noise_kernel(scale), mode="same")
        return self._seen[scale]


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
    # Muted pauses have no spectrum at all, and what the repeats' scatter is held against must
    # have a shape.
    spectrum = np.maximum(spectrum, LEAST_POWER)
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
    # Longer ones are finer than the grid: their noise is that of the longest which is not.
    seen = min(scale, LONGEST_SEEN)
    factor = 4.0 * seen**2 / (spectra.constant_s * spectra.amplitude**2 * spectra.rate_hz)
    at_points = np.interp(np.log(frequency_hz), noise.log_hz, noise.see_through(seen))
    length_s = sum(measure_windows(frequency_hz, scale))
    longer = length_s * frequency_hz / (seen * (CYCLES_BEFORE + CYCLES_AFTER))
    return np.asarray(factor * math.log(2.0) / _LOG_BINS_PER_OCTAVE * at_points * longer)
