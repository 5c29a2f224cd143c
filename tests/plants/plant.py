# mypy: disable-error-code="attr-defined,type-arg"
"""
What every plant gives: what it plays, and what is true of it.

A plant is a response before a curve, the curve, and a response after it. Driven by a sine of
amplitude A at f the curve sees A |before(f)|; its lines come from the Fourier sum over one period
(`lines`), each passed by the response after it. Levels in dBFS are re a full-scale sine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import fft

from plants.filters import (
    Shape,
    apply_response,
    band_dbfs,
    keep_response,
    make_noise,
    padded_length,
)
from plants.played import Played

ORDERS = (2, 3, 4, 5)
PERIOD = 256


def flat(frequency_hz: Any) -> Any:
    return np.ones(np.shape(frequency_hz), complex)


def strength(response: Any, frequency_hz: Any) -> Any:
    """Magnitude of a response; of a shape without working out its phase."""
    if isinstance(response, Shape):
        return 10 ** (response.level_db(frequency_hz) / 20)
    if isinstance(response, Chain):
        parts = [strength(part, frequency_hz) for part in response.parts]
        return np.prod(parts, axis=0) if parts else np.ones(np.shape(frequency_hz))
    return np.abs(response(frequency_hz))


@dataclass(frozen=True)
class White:
    """Noise that has the same density everywhere, given by its level from 0 to 24 kHz."""

    level_dbfs: float = -90.0

    def __call__(self, frequency_hz: Any) -> Any:
        return np.full(np.shape(frequency_hz), 10 ** (self.level_dbfs / 10) / 2 / 24000)


@dataclass(frozen=True)
class Sloping:
    """Noise of so many dB a decade, given by its level from 200 to 4000 Hz, over a white floor."""

    level_dbfs: float = -70.0
    slope_db_per_decade: float = -10.0
    floor: White = White(-100.0)

    def __call__(self, frequency_hz: Any) -> Any:
        power = self.slope_db_per_decade / 10
        shape = np.asarray(frequency_hz / 1000.0) ** power
        whole = 1000 * (
            np.log(20.0) if power == -1 else (4 ** (power + 1) - 0.2 ** (power + 1)) / (power + 1)
        )
        return 10 ** (self.level_dbfs / 10) / 2 / whole * shape + self.floor(frequency_hz)


@dataclass(frozen=True)
class Plant:
    """A linear one that is steady; the others change `curve` or more."""

    name: str = "plant"
    before: Any = flat
    after: Any = flat
    noise: Any = White()

    def curve(self, x: Any) -> Any:
        return x

    @property
    def is_linear(self) -> Any:
        return type(self).curve is Plant.curve

    def play(self, samples: Any, rate_hz: Any, rng: Any) -> Any:
        """Samples as they come back, noise included."""
        samples = np.asarray(samples, float)
        return self.transduce(samples, rate_hz) + self.disturb(len(samples), rate_hz, rng)

    def transduce(self, samples: Any, rate_hz: Any) -> Any:
        if self.is_linear:
            return apply_response(samples, rate_hz, Chain((self.before, self.after)), keep=True)
        return curve_between(samples, rate_hz, self.before, self.curve, self.after)

    def disturb(self, n_samples: Any, rate_hz: Any, rng: Any) -> Any:
        return make_noise(n_samples, rate_hz, self.noise, rng)

    def lines(self, amplitude: Any) -> Any:
        """Complex lines of the curve, shape (..., 6): order 0 to 5 of sines of these amplitudes."""
        if self.is_linear:
            return np.asarray(amplitude)[..., None] * np.eye(6)[1]
        angle = 2 * np.pi * np.arange(PERIOD) / PERIOD
        wave = self.curve(np.asarray(amplitude, float)[..., None] * np.sin(angle))
        return fft.rfft(wave, axis=-1)[..., :6] * 2 / PERIOD * 1j

    def _lines_at(self, frequency_hz: Any, amplitude: Any) -> Any:
        f = np.asarray(frequency_hz, float)
        drive = amplitude * strength(self.before, f)
        # Where nothing lies before the curve every frequency drives it alike: bend it once.
        levels, place = np.unique(drive, return_inverse=True)
        lines = np.abs(self.lines(levels))[place.reshape(f.shape)]
        return lines * strength(self.after, np.multiply.outer(f, np.arange(6)))

    def response_db(self, frequency_hz: Any, amplitude: Any) -> Any:
        """Output fundamental over input fundamental at that amplitude."""
        return 20 * np.log10(self._lines_at(frequency_hz, amplitude)[..., 1] / amplitude)

    def harmonic_ratio(self, order: Any, frequency_hz: Any, amplitude: Any) -> Any:
        """Harmonic over fundamental, both at the output."""
        lines = self._lines_at(frequency_hz, amplitude)
        return lines[..., order] / lines[..., 1]

    def thd_percent(self, frequency_hz: Any, amplitude: Any, orders: Any = ORDERS) -> Any:
        lines = self._lines_at(frequency_hz, amplitude)
        return 100 * np.sqrt(np.sum(lines[..., list(orders)] ** 2, axis=-1)) / lines[..., 1]

    def step_output_db(self, frequency_hz: Any, amplitudes: Any) -> Any:
        """Level of the fundamental that comes out for each amplitude, dBFS."""
        return np.array([20 * np.log10(a) + self.response_db(frequency_hz, a) for a in amplitudes])

    def noise_dbfs(self, from_hz: Any = 200.0, to_hz: Any = 4000.0) -> Any:
        """Idle noise in a band, lines of the mains not counted."""
        return band_dbfs(self.noise, from_hz, to_hz)

    def take(self, played: Any, rng: Any) -> Any:
        """Play a whole programme and keep what is true of this take."""
        recording = self.play(played.samples, played.rate_hz, rng)
        return Take(recording, played, self, np.zeros(2), np.array([0.0, 1e9]))


@dataclass(frozen=True)
class Take:
    """A recording and its truth; `gain_db` at `gain_at_s` is what memory added to the plant."""

    samples: np.ndarray
    played: Played
    plant: Plant
    gain_db: np.ndarray
    gain_at_s: np.ndarray

    def gain_when_db(self, time_s: Any) -> Any:
        return np.interp(time_s, self.gain_at_s, self.gain_db)

    def response_range_db(self, frequency_hz: Any, added_db: Any = 0.0) -> Any:
        """
        Start, mean and end over the sweeps of the take, shape (3, n).

        `added_db`, of shape (sweeps, n) or less, is what the chain added to each sweep.
        """
        gains = self.gain_when_db(self.played.sweep_instants_s(frequency_hz)) + added_db
        fixed = self.plant.response_db(frequency_hz, self.played.amplitude)
        return fixed + np.array([gains[0], gains.mean(axis=0), gains[-1]])


@dataclass(frozen=True)
class Chain:
    """Responses one after the other."""

    parts: tuple

    def __call__(self, frequency_hz: Any) -> Any:
        total = np.ones(np.shape(frequency_hz), complex)
        for part in self.parts:
            total = total * part(frequency_hz)
        return total


def curve_between(samples: Any, rate_hz: Any, before: Any, curve: Any, after: Any) -> Any:
    """Filter, curve at twice the rate (so that lines fold back only from the ninth), filter."""
    length = padded_length(len(samples), rate_hz)
    spectrum = fft.rfft(samples, length) * keep_response(before, length, rate_hz)
    x = fft.irfft(spectrum, 2 * length) * 2
    bent = fft.rfft(curve(x)) / 2
    narrow = bent[: length // 2 + 1] * keep_response(after, length, rate_hz)
    return fft.irfft(narrow, length)[: len(samples)]
