# mypy: disable-error-code="type-arg"
"""Plants that stay as they are for a whole take."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from plants.filters import Shape
from plants.plant import Plant, Sloping, White
from plants.tables import load_shape, typical

TALK_AMPLITUDE = 10 ** (-12 / 20)
"""Amplitude of the sweep at which the tables' talk level is taken to be."""


@dataclass(frozen=True)
class Coupling:
    """A capacitor at the output: the curve's direct part does not come through."""

    corner_hz: float = 20.0

    def __call__(self, frequency_hz: Any) -> Any:
        f = 1j * np.asarray(frequency_hz, float)
        return f / (f + self.corner_hz)


@dataclass(frozen=True)
class Electret(Plant):
    """A field-effect transistor's square law behind a small flat capsule: H2 = k A / 2."""

    name: str = "electret"
    before: object = Shape.from_table(load_shape("electret_replacement"), -6.0)
    after: object = Coupling()
    noise: object = White(-78.0)
    thd_percent_at_talk: float = typical("electret", "thd_percent")

    def curve(self, x: Any) -> Any:
        # The capsule is -6 dB down before the transistor.
        k = 2 * self.thd_percent_at_talk / 100 / (TALK_AMPLITUDE * 10 ** (-6 / 20))
        return x + k * x * x


@dataclass(frozen=True)
class MovingCoil(Plant):
    """A suspension that stiffens alike both ways: odd lines only."""

    name: str = "moving-coil"
    before: object = Shape.from_table(load_shape("movingcoil_replacement"), -14.0)
    noise: object = White(-84.0)
    stiffness: float = 1.5

    def curve(self, x: Any) -> Any:
        return np.arcsinh(self.stiffness * x) / self.stiffness


@dataclass(frozen=True)
class Wire(Plant):
    """No set at all: what goes in comes out."""

    name: str = "wire"
    noise: object = White(-96.0)


@dataclass(frozen=True)
class Sharp:
    """Band of a transformer with one sharp circuit in parallel: 1 + g / (1 + jQ(f/f0 - f0/f))."""

    centre_hz: float = 1350.0
    q: float = typical("network", "q")
    height: float = 1.5
    low_hz: float = 180.0
    high_hz: float = 6000.0

    def __call__(self, frequency_hz: Any) -> Any:
        f = np.maximum(np.asarray(frequency_hz, float), 1e-3)
        detuned = f / self.centre_hz - self.centre_hz / f
        band = 1 / (1 + self.low_hz / (1j * f)) / (1 + 1j * f / self.high_hz)
        return 0.5 * band * (1 + self.height / (1 + 1j * self.q * detuned))


@dataclass(frozen=True)
class Network(Plant):
    name: str = "network"
    before: object = Sharp()
    noise: object = White(-80.0)


@dataclass(frozen=True)
class Induced:
    """Voltage of a coil near the winding: rises with frequency until its own corner."""

    gain_at_1khz: float = 0.08
    corner_hz: float = 5200.0

    def __call__(self, frequency_hz: Any) -> Any:
        f = 1j * np.asarray(frequency_hz, float) / 1000.0
        return self.gain_at_1khz * f / (1 + f * 1000.0 / self.corner_hz)


@dataclass(frozen=True)
class HumCoil(Plant):
    """A pick-up coil: weak, with 1/f noise and the mains' stray field."""

    name: str = "hum-coil"
    before: object = Induced()
    noise: object = Sloping(-72.0, -10.0, White(-92.0))
    mains_hz: float = 50.03
    line_dbfs: dict = field(
        default_factory=lambda: {1: -48.0, 2: -66.0, 3: -55.0, 5: -62.0, 7: -70.0, 9: -74.0},
        hash=False,
    )

    def disturb(self, n_samples: Any, rate_hz: Any, rng: Any) -> Any:
        total = super().disturb(n_samples, rate_hz, rng)
        time_s = np.arange(n_samples) / rate_hz
        for order, level_dbfs in self.line_dbfs.items():
            phase = rng.uniform(0, 2 * np.pi)
            line = np.sin(2 * np.pi * order * self.mains_hz * time_s + phase)
            total += 10 ** (level_dbfs / 20) * line
        return total
