# mypy: disable-error-code="operator"
"""
A magnetic receiver: force as the square of flux, and a diaphragm that strikes the pole.

The force (B0 + b)^2 gives b + k b^2, then the tabulated response. The displacement follows the
drive through one resonance; each time it passes the gap outwards the diaphragm strikes and the
second mode rings: an impulse as strong as the speed. A sine strikes once a period at the angle
where A |D| sin = gap, so the blows' lines are those of a train of impulses (closed form).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import fft

from plants.filters import Shape, keep_response, padded_length
from plants.fixed import TALK_AMPLITUDE
from plants.plant import Plant, White, flat
from plants.tables import load_shape, typical


@dataclass(frozen=True)
class Resonator:
    """Displacement of a mass on a spring, 1 at low frequencies."""

    resonance_hz: float = typical("receiver", "resonance_hz")
    q: float = 2.5

    def __call__(self, frequency_hz: Any) -> Any:
        u = np.asarray(frequency_hz, float) / self.resonance_hz
        return 1 / (1 - u**2 + 1j * u / self.q)


@dataclass(frozen=True)
class Ring:
    """Second mode, band-pass: 1 at its centre."""

    centre_hz: float = typical("receiver", "touch_click_hz")
    q: float = 6.0

    def __call__(self, frequency_hz: Any) -> Any:
        f = np.maximum(np.asarray(frequency_hz, float), 1e-3)
        return 1 / (1 + 1j * self.q * (f / self.centre_hz - self.centre_hz / f))


@dataclass(frozen=True)
class MagneticReceiver(Plant):
    """`gap` in units of the drive; infinite where nothing touches. `blow` scales the strokes."""

    name: str = "receiver"
    after: object = Shape.from_table(load_shape("recv_bipolar_damped"), -8.0)
    noise: object = White(-82.0)
    h2_db: float = typical("receiver", "h2_db")
    gap: float = np.inf
    blow: float = 0.02
    displacement: object = Resonator()
    ring: object = Ring()

    def curve(self, x: Any) -> Any:
        return x + 2 * 10 ** (self.h2_db / 20) / TALK_AMPLITUDE * x * x

    def _stroke(self, speed_per_s: Any) -> Any:
        """Area of the impulse, in full-scale seconds, from the speed at the pole."""
        return self.blow * speed_per_s / (2 * np.pi * 1000.0) / 1000.0

    def _lines_at(self, frequency_hz: Any, amplitude: Any, n_orders: int = 6) -> Any:
        f = np.asarray(frequency_hz, float)
        order = np.arange(n_orders)
        at_hz = np.multiply.outer(f, order)
        lines = np.zeros(at_hz.shape, complex)
        # Its curve is a square: there are no lines of it above the second.
        n_curved = min(6, n_orders)
        lines[..., :n_curved] = self.lines(np.full(f.shape, amplitude))[..., :n_curved]
        lines *= self.after(at_hz)
        moved = self.displacement(f)
        reach = amplitude * np.abs(moved)
        angle = np.arcsin(np.minimum(self.gap / reach, 1.0))
        area = self._stroke(2 * np.pi * f * reach * np.cos(angle)) * (reach > self.gap)
        struck = (angle - np.angle(moved))[..., None] * order
        blows = 2j * (area * f)[..., None] * np.exp(-1j * struck)
        return np.abs(lines + blows * self.ring(at_hz))

    def residual_percent(self, frequency_hz: Any, amplitude: Any, band_hz: Any) -> Any:
        """All lines but the first within a band of the output, re the first."""
        n_orders = int(band_hz[1] / np.min(frequency_hz)) + 1
        lines = self._lines_at(frequency_hz, amplitude, n_orders)
        at_hz = np.multiply.outer(frequency_hz, np.arange(n_orders))
        counts = (at_hz > band_hz[0]) & (at_hz < band_hz[1])
        counts[..., :2] = False
        return 100 * np.sqrt(np.sum(lines**2 * counts, axis=-1)) / lines[..., 1]

    def transduce(self, samples: Any, rate_hz: Any) -> Any:
        length = padded_length(len(samples), rate_hz)
        drive = fft.rfft(samples, length)
        wide = fft.irfft(drive * keep_response(flat, length, rate_hz), 2 * length) * 2
        half = length // 2 + 1
        total = fft.rfft(self.curve(wide))[:half] / 2
        total *= keep_response(self.after, length, rate_hz)
        if np.isfinite(self.gap):
            moved = drive * keep_response(self.displacement, length, rate_hz)
            x = fft.irfft(moved, 2 * length) * 2
            blows = fft.rfft(self._strike(x, 2 * rate_hz))[:half] / 2
            total += blows * keep_response(self.ring, length, rate_hz)
        return fft.irfft(total, length)[: len(samples)]

    def _strike(self, x: Any, rate_hz: Any) -> Any:
        """Impulses where the displacement passes the gap outwards, laid by cubic weights."""
        first = np.flatnonzero((x[1:-2] <= self.gap) & (x[2:-1] > self.gap)) + 1
        d = (self.gap - x[first]) / (x[first + 1] - x[first])
        # Speed at the instant itself: central differences, between the two samples by place.
        before, after = x[first + 1] - x[first - 1], x[first + 2] - x[first]
        strength = self._stroke(((1 - d) * before + d * after) / 2 * rate_hz) * rate_hz
        train = np.zeros(len(x))
        np.add.at(train, first - 1, -strength * d * (d - 1) * (d - 2) / 6)
        np.add.at(train, first, strength * (d + 1) * (d - 1) * (d - 2) / 2)
        np.add.at(train, first + 1, -strength * (d + 1) * d * (d - 2) / 2)
        np.add.at(train, first + 2, strength * (d + 1) * d * (d - 1) / 6)
        return train


EARLY = replace(
    MagneticReceiver(),
    name="receiver-early",
    after=Shape.from_table(load_shape("recv_bipolar_early"), -4.0),
    h2_db=-38.0,
)
TOUCHING = replace(MagneticReceiver(), name="receiver-touching", gap=0.35)
RING_ARMATURE = replace(
    MagneticReceiver(),
    name="receiver-ring-armature",
    after=Shape.from_table(load_shape("recv_ring_armature"), -8.0),
    h2_db=-55.0,
)
