"""
Population C: smooth random curves, rare other makes, heavy tails.

The departure from the mean is a Gaussian process over log frequency with a rational quadratic
covariance (many lengths at once); level has Student deviates of 4 degrees of freedom; one set in
`other_make` is of a second make, 3 sd away in level and with another slope. Distortion and noise
go with nothing. The mean is a damped receiver's shape (MEM).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from plants.drawn import DrawnSet
from plants.filters import Shape
from plants.fixed import TALK_AMPLITUDE
from plants.plant import Plant, White
from plants.tables import load_shape

KNOTS_HZ = 1000.0 * 2.0 ** (np.arange(-16, 13) / 6.0)
OCTAVES = np.log2(KNOTS_HZ / 1000.0)
FREEDOM = 4.0


@cache
def _factor(length_octaves: Any, jitter: Any = 1e-9) -> Any:
    """Cholesky factor of (1 + d^2 / (2 a l^2))^-a with a = 1.5."""
    d = OCTAVES[:, None] - OCTAVES[None, :]
    covariance = (1 + d**2 / (3.0 * length_octaves**2)) ** -1.5
    return np.linalg.cholesky(covariance + jitter * np.eye(len(OCTAVES)))


@dataclass(frozen=True)
class SoftLimited(Plant):
    """An even and an odd bend that stay bounded: log cosh and tanh."""

    name: str = "population-c"
    even: float = 0.0
    odd: float = 0.5

    def curve(self, x: Any) -> Any:
        u = x / TALK_AMPLITUDE
        even = self.even * np.log(np.cosh(2 * u)) / 2
        return TALK_AMPLITUDE * (np.tanh(self.odd * u) / self.odd + even)


@dataclass(frozen=True)
class ProcessPopulation:
    """`sd_db` is the whole spread at a point, half of its variance in level."""

    sd_db: float = 1.0
    seat_sd_db: float = 0.4
    length_octaves: float = 0.6
    other_make: float = 0.08
    heavy: bool = True
    name: str = "C"

    def _level(self, rng: Any) -> Any:
        if not self.heavy:
            return rng.standard_normal()
        return rng.standard_t(FREEDOM) * np.sqrt((FREEDOM - 2) / FREEDOM)

    def _wave(self, rng: Any) -> Any:
        return _factor(self.length_octaves) @ rng.standard_normal(len(OCTAVES))

    def draw(self, rng: Any) -> Any:
        mean = Shape.from_table(load_shape("recv_bipolar_damped"), -9.0).level_db(KNOTS_HZ)
        own = np.sqrt(0.5) * self.sd_db * (self._level(rng) + self._wave(rng))
        other = bool(rng.random() < self.other_make)
        if other:
            own = own - self.sd_db * (3.0 + 0.5 * OCTAVES)
        bend = float(np.exp(0.12 * self.sd_db * rng.standard_normal()))
        noise_dbfs = -80.0 + 1.2 * self.sd_db * self._level(rng)
        return self._set(mean + own, bend, noise_dbfs, other)

    def _set(self, levels_db: Any, bend: Any, noise_dbfs: Any, other: Any) -> Any:
        shape = Shape(tuple(KNOTS_HZ), tuple(map(float, levels_db)))
        # From 200 to 4000 Hz lie 3.8 of the 24 kHz that the level is given for.
        noise = White(noise_dbfs + 10 * np.log10(24.0 / 3.8))
        plant = SoftLimited(after=shape, even=0.03 * bend, odd=0.5 * bend**0.5, noise=noise)
        made_of = {
            "levels_db": levels_db, "bend": bend, "noise_dbfs": noise_dbfs, "other_make": other,
        }  # fmt: skip
        return DrawnSet(plant, made_of)

    def seat(self, drawn: Any, rng: Any) -> Any:
        """A level and a wave of its own."""
        own = np.sqrt(0.5) * self.seat_sd_db * (rng.standard_normal() + self._wave(rng))
        m = drawn.made_of
        noise_dbfs = m["noise_dbfs"] + 0.2 * rng.standard_normal()
        return self._set(m["levels_db"] + own, m["bend"], noise_dbfs, m["other_make"])
