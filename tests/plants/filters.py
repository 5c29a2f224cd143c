"""Linear parts: tabulated shapes, filtering of a whole take, noise of a given density."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import fft

PAD_S = 0.5
FLOOR_DB = -60.0
GRID_HZ, GRID_POINTS = 192000.0, 262144


@lru_cache(maxsize=16)
def _spline(points_hz: Any, points_db: Any) -> Any:
    """Natural cubic spline over log2 of frequency: knots, values, second derivatives."""
    x, y = np.log2(points_hz), np.array(points_db)
    h = np.diff(x)
    n = len(x)
    matrix, right = np.eye(n), np.zeros(n)
    for i in range(1, n - 1):
        matrix[i, i - 1 : i + 2] = h[i - 1], 2 * (h[i - 1] + h[i]), h[i]
        right[i] = 6 * ((y[i + 1] - y[i]) / h[i] - (y[i] - y[i - 1]) / h[i - 1])
    return x, y, np.linalg.solve(matrix, right)


@dataclass(frozen=True)
class Shape:
    """A smooth minimum-phase response through tabulated points; straight beyond their ends."""

    points_hz: tuple[float, ...]
    points_db: tuple[float, ...]
    gain_db: float = 0.0

    @classmethod
    def from_table(cls, table: Any, gain_db: Any = 0.0) -> Any:
        return cls(tuple(map(float, table[0])), tuple(map(float, table[1])), gain_db)

    def level_db(self, frequency_hz: Any) -> Any:
        x, y, bend = _spline(self.points_hz, self.points_db)
        at = np.log2(np.maximum(np.asarray(frequency_hz, float), 1.0))
        i = np.clip(np.searchsorted(x, at) - 1, 0, len(x) - 2)
        h = (x[1:] - x[:-1])[i]
        inside = np.clip(at, x[0], x[-1])
        a, b = (x[i + 1] - inside) / h, (inside - x[i]) / h
        value = a * y[i] + b * y[i + 1]
        value = value + ((a**3 - a) * bend[i] + (b**3 - b) * bend[i + 1]) * h**2 / 6
        # At least 6 and at most 24 dB an octave outside, so that nothing grows without bound.
        first = np.clip((y[1] - y[0]) / (x[1] - x[0]), 6.0, 24.0)
        last = np.clip((y[-1] - y[-2]) / (x[-1] - x[-2]), -24.0, -6.0)
        value = value + first * np.minimum(at - x[0], 0) + last * np.maximum(at - x[-1], 0)
        return np.maximum(value, FLOOR_DB) + self.gain_db

    def __call__(self, frequency_hz: Any) -> Any:
        frequency_hz = np.asarray(frequency_hz, float)
        grid_hz, phase = _minimum_phase(self)
        return 10 ** (self.level_db(frequency_hz) / 20) * np.exp(
            1j * np.interp(frequency_hz, grid_hz, phase)
        )


@lru_cache(maxsize=16)
def _minimum_phase(shape: Any) -> Any:
    """Phase that belongs to the magnitude (real cepstrum folded to positive time)."""
    grid_hz = np.arange(GRID_POINTS // 2 + 1) * GRID_HZ / GRID_POINTS
    cepstrum = fft.irfft(shape.level_db(grid_hz) * np.log(10) / 20)
    cepstrum[1 : GRID_POINTS // 2] *= 2
    cepstrum[GRID_POINTS // 2 + 1 :] = 0
    phase = fft.rfft(cepstrum).imag
    # The cut at half the cepstrum's length would be an echo half a grid's length early and late.
    phase[1:-1] = (phase[:-2] + 2 * phase[1:-1] + phase[2:]) / 4
    return grid_hz, phase


def sample_response(response: Any, length: Any, rate_hz: Any) -> Any:
    """A response at the bins of a real FFT; nothing at 0 Hz, a soft end below half the rate."""
    frequency_hz = np.arange(length // 2 + 1) * rate_hz / length
    with np.errstate(all="ignore"):
        answer = np.nan_to_num(np.asarray(response(frequency_hz), complex))
    answer[0] = 0
    edge = np.clip((frequency_hz / rate_hz - 0.44) / 0.05, 0, 1)
    return answer * np.cos(np.pi / 2 * edge) ** 2


keep_response = lru_cache(maxsize=12)(sample_response)
"""The same, kept: for the responses of plants, which are asked for again and again."""


def padded_length(n_samples: Any, rate_hz: Any) -> Any:
    return fft.next_fast_len(n_samples + 2 * int(PAD_S * rate_hz), real=True)


def apply_response(samples: Any, rate_hz: Any, response: Any, *, keep: Any = False) -> Any:
    """Pass samples through a response; silence after them keeps the circular tail away."""
    length = padded_length(len(samples), rate_hz)
    sample = keep_response if keep else sample_response
    spectrum = fft.rfft(samples, length) * sample(response, length, rate_hz)
    return fft.irfft(spectrum, length)[: len(samples)]


def make_noise(n_samples: Any, rate_hz: Any, density: Any, rng: Any) -> Any:
    """Gaussian noise whose one-sided power density at f is `density(f)`, full scale^2 per Hz."""
    length = fft.next_fast_len(n_samples, real=True)
    frequency_hz = np.arange(length // 2 + 1) * rate_hz / length
    with np.errstate(all="ignore"):
        power = np.nan_to_num(density(frequency_hz), posinf=0.0)
    power[frequency_hz < 10.0] = 0
    white = fft.rfft(rng.standard_normal(length))
    return fft.irfft(white * np.sqrt(power * rate_hz / 2), length)[:n_samples]


def band_dbfs(density: Any, from_hz: Any, to_hz: Any) -> Any:
    """Power of a density in a band, dB re a full-scale sine (mean square 1/2)."""
    frequency_hz = np.geomspace(from_hz, to_hz, 1001)
    middle = np.sqrt(frequency_hz[1:] * frequency_hz[:-1])
    return 10 * np.log10(2 * np.sum(density(middle) * np.diff(frequency_hz)))
