# mypy: disable-error-code="assignment,type-arg"
"""
A plant with a known answer, for tests only: a polynomial in front of a filter of known response.

It shares no code with the simulated bench or the analysis. The answer is in closed form: a
polynomial x + a2 x^2 + a3 x^3 driven by a sine of amplitude A gives a fundamental of
A (1 + 3/4 a3 A^2), a second harmonic of a2 A^2 / 2 and a third of a3 A^3 / 4, each then passed
by the filter at its own frequency.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import fft

OVERSAMPLING = 4
HALF_TAPS = 16


def carbon_like(frequency_hz: Any) -> Any:
    """High-pass at 250 Hz, resonance at 2.3 kHz (Q 1.6), low-pass: a telephone transmitter."""
    s = 2j * np.pi * np.asarray(frequency_hz, float)
    high_pass = s / (s + 2 * np.pi * 250)
    w0 = 2 * np.pi * 2300
    resonance = w0**2 / (s**2 + s * w0 / 1.6 + w0**2)
    return 0.8 * high_pass * resonance


def resonant_receiver(frequency_hz: Any) -> Any:
    """Undamped receiver: a peak of Q 8 at 1 kHz and a second one of Q 10 at 2.6 kHz."""
    s = 2j * np.pi * np.asarray(frequency_hz, float)
    total = 0
    for peak_hz, q, gain in ((1000, 8, 0.12), (2600, 10, 0.05)):
        w0 = 2 * np.pi * peak_hz
        total = total + gain * s * w0 / (s**2 + s * w0 / q + w0**2)
    return total + 0.05 * s / (s + 2 * np.pi * 150)


def flat(frequency_hz: Any) -> Any:
    return np.ones(np.shape(frequency_hz), complex)


@dataclass(frozen=True)
class KnownPlant:
    """Levels in dBFS are re a full-scale sine; `latency_s` is a pure delay."""

    response: Callable = carbon_like
    square: float = 0.0
    cube: float = 0.0
    latency_s: float = 0.0
    drift_ppm: float = 0.0
    noise_dbfs: float | None = None
    mains_dbfs: float | None = None
    mains_hz: float = 60.02
    frying_per_s: float = 0.0
    frying_peak: float = 0.02
    seed: int = 1
    tail_s: float = 0.5

    def true_response_db(self, frequency_hz: Any, amplitude: Any) -> Any:
        gain = 1 + 0.75 * self.cube * amplitude**2
        return 20 * np.log10(np.abs(self.response(frequency_hz)) * gain)

    def true_harmonic_ratio(self, order: Any, frequency_hz: Any, amplitude: Any) -> Any:
        frequency_hz = np.asarray(frequency_hz, float)
        fundamental = np.abs(self.response(frequency_hz)) * amplitude
        fundamental = fundamental * (1 + 0.75 * self.cube * amplitude**2)
        made = {2: self.square * amplitude**2 / 2, 3: self.cube * amplitude**3 / 4}.get(order, 0.0)
        return abs(made) * np.abs(self.response(order * frequency_hz)) / fundamental

    def true_thd_percent(self, frequency_hz: Any, amplitude: Any) -> Any:
        parts = [self.true_harmonic_ratio(m, frequency_hz, amplitude) ** 2 for m in (2, 3)]
        return 100 * np.sqrt(sum(parts))

    def __call__(self, samples: Any, rate_hz: Any) -> Any:
        rng = np.random.default_rng(self.seed)
        undisturbed = replace(self, noise_dbfs=None, mains_dbfs=None, frying_per_s=0.0, seed=0)
        clean = _transduce(undisturbed, np.asarray(samples, float).tobytes(), rate_hz)
        return clean + self._disturb(len(clean), rate_hz, rng)

    def transduce(self, samples: Any, rate_hz: Any) -> Any:
        # Zeros around keep the circular filter's tail off the signal.
        pad = rate_hz
        length = fft.next_fast_len(len(samples) + 2 * pad + int(rate_hz * (self.latency_s + 1)))
        padded = np.zeros(length)
        padded[pad : pad + len(samples)] = samples
        spectrum = fft.rfft(padded)
        wide = np.zeros(OVERSAMPLING * length // 2 + 1, complex)
        wide[: len(spectrum)] = spectrum
        x = fft.irfft(wide, OVERSAMPLING * length) * OVERSAMPLING
        x = x + self.square * x**2 + self.cube * x**3
        frequency_hz = np.arange(len(wide)) * rate_hz / length
        with np.errstate(all="ignore"):
            answer = np.nan_to_num(self.response(frequency_hz))
        answer[0] = 0
        edge = np.clip((frequency_hz / rate_hz - 0.44) / 0.05, 0, 1)
        answer = answer * np.cos(np.pi / 2 * edge) ** 2
        delayed = answer * np.exp(-2j * np.pi * frequency_hz * self.latency_s)
        y = fft.irfft(fft.rfft(x) * delayed, OVERSAMPLING * length)
        n_out = len(samples) + int(rate_hz * (self.latency_s + self.tail_s))
        return _interpolate(
            y, (np.arange(n_out) / (1 + self.drift_ppm * 1e-6) + pad) * OVERSAMPLING
        )

    def _disturb(self, n_samples: Any, rate_hz: Any, rng: Any) -> Any:
        time_s = np.arange(n_samples) / rate_hz
        total = np.zeros(n_samples)
        if self.noise_dbfs is not None:
            total += 10 ** (self.noise_dbfs / 20) / np.sqrt(2) * rng.standard_normal(n_samples)
        if self.mains_dbfs is not None:
            weights = np.array([1.0, 0.5, 0.7, 0.2, 0.4])
            weights /= np.sqrt(np.sum(weights**2))
            for k, weight in enumerate(weights, 1):
                phase = rng.uniform(0, 2 * np.pi)
                line = np.sin(2 * np.pi * k * self.mains_hz * time_s + phase)
                total += 10 ** (self.mains_dbfs / 20) * weight * line
        for _ in range(rng.poisson(self.frying_per_s * n_samples / rate_hz)):
            first = rng.integers(0, n_samples)
            burst = rng.standard_normal(int(rng.uniform(0.0005, 0.003) * rate_hz))
            burst = self.frying_peak * rng.lognormal(0, 0.5) * burst[: n_samples - first]
            total[first : first + len(burst)] += burst
        return total


@lru_cache(maxsize=24)
def _transduce(plant: Any, samples: Any, rate_hz: Any) -> Any:
    """Seeds differ in their noise only: what the plant makes of a signal is kept."""
    return plant.transduce(np.frombuffer(samples), rate_hz)


def _interpolate(samples: Any, position: Any) -> Any:
    """Windowed-sinc interpolation of an oversampled signal, its band far below Nyquist."""
    if np.array_equal(position, np.round(position)):
        return samples[position.astype(int)]
    out = np.empty(len(position))
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)
    for first in range(0, len(position), 65536):
        chunk = position[first : first + 65536]
        whole = np.floor(chunk).astype(int)
        distance = (chunk - whole)[:, None] - offsets[None, :]
        window = np.i0(11 * np.sqrt(np.clip(1 - (distance / HALF_TAPS) ** 2, 0, None))) / np.i0(11)
        taps = np.sinc(distance) * window
        taps /= taps.sum(axis=1, keepdims=True)
        out[first : first + 65536] = np.einsum("ij,ij->i", taps, samples[whole[:, None] + offsets])
    return out
