"""Stretches of a recording at a low rate, and their noise, for every question about pauses."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.idle import compute_hann_energy, make_hann
from voicecheck.ranks import find_medians
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

LOW_RATE_HZ = 16000.0
"""Twice what the voice band needs: its noise can be seen in a third of the samples."""
MEDIAN_OF_NOISE = float(np.log(2.0))
"""Median over mean of a periodogram of Gaussian noise: lines and bursts hardly move it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slowed:
    """A recording whose stretches are taken at a low rate."""

    samples: Array
    rate_hz: int

    @property
    def factor(self) -> int:
        """Samples that make one."""
        return max(1, round(self.rate_hz / LOW_RATE_HZ))

    @property
    def low_rate_hz(self) -> float:
        """Rate of what `cut` gives."""
        return self.rate_hz / self.factor

    def cut(self, first_s: float, last_s: float) -> Array:
        """Means over `factor` samples from one instant to another, as far as there are any."""
        first = max(0, round(first_s * self.rate_hz))
        last = min(len(self.samples), round(last_s * self.rate_hz))
        usable = max(0, (last - first) // self.factor * self.factor)
        cut = self.samples[first : first + usable]
        # Sums of long strides: means over rows of three would take several times as long.
        total = np.zeros(usable // self.factor)
        for offset in range(self.factor):
            total += cut[offset :: self.factor]
        return np.asarray(total / self.factor)


def slow_down(recording: Recording) -> Slowed:
    """
    A recording to take slow stretches from.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    Slowed
    """
    return Slowed(samples=recording.samples, rate_hz=recording.rate_hz)


def compute_power(stretches: Array) -> Array:
    """
    Spectra of stretches under a Hann window.

    Parameters
    ----------
    stretches : ndarray, shape (..., n)

    Returns
    -------
    ndarray, shape (..., n // 2 + 1)
        White noise of variance s gives s in every bin.
    """
    n = stretches.shape[-1]
    transform = np.fft.rfft(stretches * make_hann(n), axis=-1)
    return np.asarray((transform.real**2 + transform.imag**2) / compute_hann_energy(n))


@lru_cache(maxsize=16)
def list_bins_hz(n: int, rate_hz: float) -> Array:
    """Frequencies of the bins of `compute_power`."""
    return np.arange(n // 2 + 1) * rate_hz / n


def estimate_density(power: Array, inside: NDArray[np.bool_]) -> Array:
    """
    Noise density under lines: the median over some bins, as the mean of Gaussian noise.

    Parameters
    ----------
    power : ndarray, shape (..., n_bins)
    inside : ndarray of bool, shape (n_bins,)

    Returns
    -------
    ndarray, shape (...)
    """
    return np.asarray(find_medians(power[..., inside]) / MEDIAN_OF_NOISE)
