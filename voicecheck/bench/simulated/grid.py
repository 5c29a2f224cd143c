"""
Time and frequency: one buffer, its spectrum, oversampled curves and the recorder's own clock.

The programme lies in a padded buffer that is treated as one period. Linear parts are exact
responses multiplied onto its spectrum, so no filter is warped towards the Nyquist frequency. A
curved part is computed on the same period sampled `factor` times as often (zero-padded
spectrum), then cut back to the band of the buffer. Nothing is resampled by a polyphase filter,
whose ripple (0.01 dB) would show in a response that is wanted to 0.001 dB.

Why 4 times: at 48 kHz the curve runs at 192 kHz, and a harmonic must lie above 168 kHz to fold
into the band. For a tone of 3.4 kHz that is the 50th; the curves here are smooth, so their 50th
harmonic is far below -90 dB of the fundamental (a test shows it). Parts that limit hard ask for
more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array

Spectrum = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """
    The sampling of one take.

    Parameters
    ----------
    n_samples : int
        Of the buffer, even.
    rate_hz : int
    """

    n_samples: int
    rate_hz: int

    @property
    def frequency_hz(self) -> Array:
        """Frequencies of the spectrum, shape (n_samples / 2 + 1,)."""
        return np.asarray(np.arange(self.n_samples // 2 + 1) * (self.rate_hz / self.n_samples))

    def to_spectrum(self, samples: Array) -> Spectrum:
        """Spectrum of the buffer, shape (n_samples / 2 + 1,)."""
        from scipy import fft

        return np.asarray(fft.rfft(samples, self.n_samples))

    def to_samples(self, spectrum: Spectrum) -> Array:
        """Buffer of a spectrum, shape (n_samples,)."""
        from scipy import fft

        return np.asarray(fft.irfft(spectrum, self.n_samples))

    def apply_curve(
        self, spectrum: Spectrum, curve: Callable[[Array], Array], factor: int
    ) -> Spectrum:
        """
        Spectrum of `curve(samples)`, the curve computed `factor` times oversampled.

        Parameters
        ----------
        spectrum : ndarray, shape (n_samples / 2 + 1,)
        curve : callable
            Shape kept; may change its argument, and may look back in time but not ahead.
        factor : int
            Oversampling.

        Returns
        -------
        ndarray, shape (n_samples / 2 + 1,)
        """
        from scipy import fft

        wide = np.zeros(factor * self.n_samples // 2 + 1, dtype=np.complex128)
        # The Nyquist bin is one half of a pair that the wider spectrum has room for: leave it out.
        wide[: len(spectrum) - 1] = spectrum[:-1] * factor
        fine = fft.irfft(wide, factor * self.n_samples, overwrite_x=True)
        bent = fft.rfft(curve(fine), overwrite_x=True)[: len(spectrum)] / factor
        bent[-1] = 0.0
        return np.asarray(bent)


def make_grid(n_least: int, rate_hz: int) -> Grid:
    """
    Grid of at least so many samples, of a length that transforms quickly.

    Parameters
    ----------
    n_least : int
    rate_hz : int

    Returns
    -------
    Grid
    """
    from scipy import fft

    half = fft.next_fast_len((n_least + 1) // 2, real=True)
    return Grid(n_samples=2 * half, rate_hz=rate_hz)


def read_on_clock(
    grid: Grid, spectrum: Spectrum, *, start_s: float, rate_ratio: float, n_read: int
) -> Array:
    """
    Sample a period at evenly spaced instants of another clock, exactly.

    Parameters
    ----------
    grid : Grid
    spectrum : ndarray, shape (n_samples / 2 + 1,)
        Of the buffer.
    start_s : float
        Instant of the first sample read, seconds from the start of the buffer.
    rate_ratio : float
        The reading clock's rate over the grid's; 1.00005 is 50 ppm fast.
    n_read : int
        How many samples.

    Returns
    -------
    ndarray, shape (n_read,)

    Notes
    -----
    The trigonometric series of the buffer is summed at t = start + n / (rate_ratio rate) by the
    chirp-z transform (Bluestein's convolution), so delay and drift have no interpolation error.
    """
    from scipy import fft

    n_bins = len(spectrum) - 1
    step = 1.0 / (rate_ratio * grid.n_samples)
    bins = np.arange(n_bins)
    offset = bins * (start_s * grid.rate_hz / grid.n_samples)
    # Cycles are reduced to their fraction first: the phases reach a million radians.
    down = _turn(bins.astype(np.float64) ** 2 * (0.5 * step) + offset)
    length = fft.next_fast_len(n_bins + n_read - 1)
    weighted = np.zeros(length, dtype=np.complex128)
    weighted[:n_bins] = spectrum[:-1] * down
    index = np.arange(max(n_bins, n_read), dtype=np.float64)
    chirp = _turn(-(index**2) * (0.5 * step))
    kernel = np.zeros(length, dtype=np.complex128)
    kernel[:n_read] = chirp[:n_read]
    kernel[length - n_bins + 1 :] = chirp[n_bins - 1 : 0 : -1]
    product = fft.fft(weighted, overwrite_x=True) * fft.fft(kernel, overwrite_x=True)
    summed = fft.ifft(product, overwrite_x=True)[:n_read] * np.conj(chirp[:n_read])
    return np.asarray((2.0 * summed.real - spectrum[0].real) / grid.n_samples)


def _turn(cycles: Array) -> Spectrum:
    """exp(2 pi i cycles), accurate for many cycles."""
    return np.asarray(np.exp(2j * np.pi * (cycles - np.floor(cycles))))
