"""
Population B: masses, springs and resistances drawn, the circuit solved.

Sound enters through holes (mass, resistance) into a front cavity and drives a diaphragm (mass,
spring, resistance) on a back cavity; granules follow its displacement by 1 / (1 - m x) and are fed
by a current; a capacitor and the line's capacitance follow. Nominal values: PROP, chosen so that
the diaphragm is at 2.1 kHz and the holes at 3.3 kHz. Noise by the paper law as remembered (S09,
MEM): V^2 as the power 1.85 of the voltage and 1.25 of the resistance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from plants.drawn import DrawnSet
from plants.fixed import TALK_AMPLITUDE
from plants.plant import Plant, Sloping, White

NOMINAL = {
    "diaphragm_mass": 1.0, "diaphragm_hz": 2100.0, "diaphragm_q": 1.3,
    "hole_mass": 0.35, "hole_hz": 3300.0, "hole_q": 1.6,
    "resistance_ohm": 60.0, "current_ma": 40.0, "granules": 1.0,
    "capacitor_uf": 2.0, "line_nf": 25.0, "distance_mm": 25.0,
}  # fmt: skip
SPREAD = {
    "diaphragm_mass": 0.06, "diaphragm_hz": 0.05, "diaphragm_q": 0.15,
    "hole_mass": 0.10, "hole_hz": 0.04, "hole_q": 0.15,
    "resistance_ohm": 0.15, "current_ma": 0.03, "granules": 0.08,
    "capacitor_uf": 0.10, "line_nf": 0.2, "distance_mm": 0.0,
}  # fmt: skip
"""Standard deviations of the natural logarithm (PROP)."""


@dataclass(frozen=True)
class Diaphragm:
    """Displacement for unit pressure at the lips, 1 well below all resonances."""

    diaphragm_mass: float
    diaphragm_hz: float
    diaphragm_q: float
    hole_mass: float
    hole_hz: float
    hole_q: float

    def __call__(self, frequency_hz: Any) -> Any:
        w = 2 * np.pi * np.maximum(np.asarray(frequency_hz, float), 1.0)
        wd, wh = 2 * np.pi * self.diaphragm_hz, 2 * np.pi * self.hole_hz
        spring = self.diaphragm_mass * wd**2
        vibrating = 1j * w * self.diaphragm_mass + spring / (1j * w)
        vibrating = vibrating + self.diaphragm_mass * wd / self.diaphragm_q
        holes = 1j * w * self.hole_mass + self.hole_mass * wh / self.hole_q
        cavity = self.hole_mass * wh**2 / (1j * w)
        # A divider: holes in series, the cavity across the diaphragm.
        inside = cavity * vibrating / (cavity + vibrating)
        velocity = inside / (holes + inside) / vibrating
        return velocity / (1j * w) * spring


@dataclass(frozen=True)
class Electrical:
    """Feed, load of 600 ohm behind a capacitor, capacitance across the line."""

    resistance_ohm: float
    current_ma: float
    capacitor_uf: float
    line_nf: float

    def __call__(self, frequency_hz: Any) -> Any:
        w = 2 * np.pi * np.maximum(np.asarray(frequency_hz, float), 1.0)
        across = 1 / (1 / 600.0 + 1j * w * self.line_nf * 1e-9)
        series = self.resistance_ohm + 1 / (1j * w * self.capacitor_uf * 1e-6)
        volts = self.current_ma * 1e-3 * self.resistance_ohm
        return 0.16 * volts * across / (across + series)


@dataclass(frozen=True)
class LumpedCarbon(Plant):
    name: str = "population-b"
    modulation: float = 0.15
    sensitivity: float = 1.0

    def curve(self, x: Any) -> Any:
        u = np.clip(self.modulation / TALK_AMPLITUDE * x, -0.9, 0.9)
        return self.sensitivity * u / (1 - u)


@dataclass(frozen=True)
class LumpedPopulation:
    """`spread` multiplies every standard deviation of the drawn logarithms."""

    spread: float = 1.0
    seat_mm: float = 0.6
    seat_granules: float = 0.04
    name: str = "B"

    def draw(self, rng: Any) -> Any:
        made_of = {
            name: value * np.exp(self.spread * SPREAD[name] * rng.standard_normal())
            for name, value in NOMINAL.items()
        }
        return self._set(made_of)

    def _set(self, made_of: Any) -> Any:
        pick = made_of.__getitem__
        nearer = NOMINAL["distance_mm"] / pick("distance_mm")
        diaphragm = Diaphragm(*map(pick, Diaphragm.__dataclass_fields__))
        electrical = Electrical(*map(pick, Electrical.__dataclass_fields__))
        volts = pick("current_ma") * pick("resistance_ohm") / 2400.0
        noise_db = 18.5 * np.log10(volts) + 12.5 * np.log10(pick("resistance_ohm") / 60.0)
        plant = LumpedCarbon(
            before=diaphragm, after=electrical, modulation=0.12 * pick("granules") * nearer,
            noise=Sloping(-70.0 + noise_db, -10.0, White(-92.0)),
        )  # fmt: skip
        return DrawnSet(plant, dict(made_of))

    def seat(self, drawn: Any, rng: Any) -> Any:
        """Distance from the mouth (as 1 / r: 2 mm at 25 mm are 0.7 dB, CALC) and granules anew."""
        made_of = dict(drawn.made_of)
        made_of["distance_mm"] += self.seat_mm * rng.standard_normal()
        made_of["granules"] *= np.exp(self.seat_granules * rng.standard_normal())
        return self._set(made_of)
