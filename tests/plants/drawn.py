# mypy: disable-error-code="operator,type-arg"
"""One set that a population drew: a plant, and its figures as a measurement would hold them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from plants.fixed import TALK_AMPLITUDE
from plants.plant import Chain, Plant

POINTS_HZ = 1000.0 * 10.0 ** (0.025 * np.arange(-27.5, 24.5))
"""Fifty-two points a twelfth of an octave (base ten) apart, 205 to 3899 Hz."""
BANDS_HZ = {"low_db": (200.0, 500.0), "mid_db": (500.0, 2000.0), "high_db": (2000.0, 3400.0)}


@dataclass(frozen=True)
class Gain:
    """The same at all frequencies."""

    gain_db: float

    def __call__(self, frequency_hz: Any) -> Any:
        return np.full(np.shape(frequency_hz), 10 ** (self.gain_db / 20), complex)


@dataclass(frozen=True)
class Louder:
    """A noise density that is so many dB stronger."""

    density: object
    gain_db: float

    def __call__(self, frequency_hz: Any) -> Any:
        return self.density(frequency_hz) * 10 ** (self.gain_db / 10)


@dataclass(frozen=True)
class DrawnSet:
    """What one set is; every figure follows from its plant, so that sound and figures agree."""

    plant: Plant
    made_of: dict

    def curve_db(self, amplitude: Any = TALK_AMPLITUDE) -> Any:
        return self.plant.response_db(POINTS_HZ, amplitude)

    def figures(self, amplitude: Any = TALK_AMPLITUDE) -> Any:
        """Curve and THD at `POINTS_HZ`; bands, level laws and noise as single numbers."""
        plant = self.plant
        curve_db = self.curve_db(amplitude)
        at_1khz = [float(plant.response_db(1000.0, k * amplitude)) for k in (0.1, 1.0, 2.0)]
        found = {
            "curve_db": curve_db,
            "thd_percent": plant.thd_percent(POINTS_HZ, amplitude),
            "at_1khz_db": at_1khz[1],
            "threshold_db": at_1khz[1] - at_1khz[0],
            "compression_db": at_1khz[1] - at_1khz[2],
            "noise_dbfs": float(plant.noise_dbfs()),
        }
        for name, (low_hz, high_hz) in BANDS_HZ.items():
            inside = (low_hz <= POINTS_HZ) & (high_hz >= POINTS_HZ)
            found[name] = float(10 * np.log10(np.mean(10 ** (curve_db[inside] / 10))))
        return found

    def shifted(self, level_db: Any = 0.0, noise_db: Any = 0.0) -> Any:
        """The same set with so much more level and noise: a fault of known size."""
        after = Chain((self.plant.after, Gain(level_db)))
        noise = Louder(self.plant.noise, noise_db)
        return replace(self, plant=replace(self.plant, after=after, noise=noise))
