"""
Population A: a few numbers a set.

Level, tilt, frequency and height of the cavity's bump, low cut; distortion and noise each take half
of their variance from the level. Lines by a square and a cube.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from plants.drawn import DrawnSet
from plants.fixed import TALK_AMPLITUDE
from plants.plant import Plant, Sloping, White


@dataclass(frozen=True)
class Outline:
    """Magnitude in closed form; the phase is that of the low cut and the bump alone."""

    level_db: float
    tilt_db_per_octave: float
    bump_hz: float
    bump: float
    low_hz: float

    def __call__(self, frequency_hz: Any) -> Any:
        f = np.maximum(np.asarray(frequency_hz, float), 1.0)
        octaves = np.clip(np.log2(f / 1000.0), -4.0, 3.0)
        flat = 10 ** ((self.level_db + self.tilt_db_per_octave * octaves) / 20)
        cut = 1j * f / (1j * f + self.low_hz)
        detuned = f / self.bump_hz - self.bump_hz / f
        line = 1 / (1 + (f / 7000.0) ** 4) ** 0.5
        return flat * cut * line * (1 + self.bump / (1 + 2.5j * detuned))


@dataclass(frozen=True)
class Polynomial(Plant):
    """H2 = square A / 2, H3 = cube A^2 / 4; the level falls by 3/4 cube A^2."""

    name: str = "population-a"
    square: float = 0.0
    cube: float = 0.0

    def curve(self, x: Any) -> Any:
        return x + self.square * x**2 - self.cube * x**3


@dataclass(frozen=True)
class ParametricPopulation:
    """`sd_db` is the spread of level; the other numbers spread in proportion to it."""

    sd_db: float = 1.0
    seat_sd_db: float = 0.4
    name: str = "A"

    def draw(self, rng: Any) -> Any:
        s = self.sd_db
        level, tilt, place, height, cut, thd, noise = rng.standard_normal(7)
        half = np.sqrt(0.5)
        made_of = {
            "level_db": -12.0 + s * level,
            "tilt_db_per_octave": 1.2 + 0.3 * s * tilt,
            "bump_hz": 2600.0 * 2 ** (0.06 * s * place),
            "bump": 0.7 * 10 ** (0.8 * s * height / 20),
            "low_hz": 230.0 * 2 ** (0.15 * s * cut),
        }
        h2_db = -26.0 + 1.5 * s * half * (level + thd)
        noise_dbfs = -72.0 + 1.5 * s * half * (level + noise)
        return self._set(made_of, h2_db, noise_dbfs)

    def _set(self, made_of: Any, h2_db: Any, noise_dbfs: Any) -> Any:
        outline = Outline(**made_of)
        plant = Polynomial(
            after=outline,
            square=2 * 10 ** (h2_db / 20) / TALK_AMPLITUDE,
            cube=0.4 * 10 ** (h2_db / 20) / TALK_AMPLITUDE**2,
            noise=Sloping(noise_dbfs, -8.0, White(-95.0)),
        )
        return DrawnSet(plant, {**made_of, "h2_db": h2_db, "noise_dbfs": noise_dbfs})

    def seat(self, drawn: Any, rng: Any) -> Any:
        """Laid down anew: level and bump move."""
        made_of = dict(drawn.made_of)
        h2_db, noise_dbfs = made_of.pop("h2_db"), made_of.pop("noise_dbfs")
        made_of["level_db"] += self.seat_sd_db * rng.standard_normal()
        made_of["bump_hz"] *= 2 ** (0.05 * self.seat_sd_db * rng.standard_normal())
        return self._set(made_of, h2_db, noise_dbfs + 0.3 * rng.standard_normal())
