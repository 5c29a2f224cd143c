"""
Receivers: a magnet pulls a diaphragm with the square of its field.

Pull ~ (B0 + b)^2 - B0^2 = 2 B0 b + b^2, b the field of the voice current: level goes with the
magnet, and the second harmonic re the fundamental with its inverse. Half the magnet is 6 dB less
level and 6 dB more second harmonic (`receiver,demag_rule`, CALC). In the sealed coupler pressure
follows displacement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.contact import strike
from voicecheck.bench.simulated.grid import Grid, Spectrum
from voicecheck.bench.simulated.mechanics import DIAPHRAGMS, Diaphragm
from voicecheck.records.arrays import Array

FIELD_PER_V = 0.2054
"""b / B0 per line volt: H2 of -45 dB at -20 dBm (`receiver,H2_healthy_at_-20dBm`, MEM)."""

POLE_STIFFNESS = 0.8
"""Share of the travel beyond the pole that it takes away; the rim of the diaphragm goes on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """
    A receiver on the coupler.

    Parameters
    ----------
    diaphragm, nominal : Diaphragm
        This receiver's and its type's.
    pa_per_v : float
        Coupler pressure per volt across 600 ohm of line, at 1 kHz, sound magnet.
    magnet : float
        Steady field re a sound one.
    limit_v : float
        Where the click limiter sets in, volts of amplitude; infinite without one.
    touch_pa : float
        Displacement at which the diaphragm strikes the pole, as coupler pressure; infinite when
        it is free.
    ohm : float
        Direct-current resistance.
    """

    diaphragm: Diaphragm = DIAPHRAGMS["recv_ring_armature"]
    nominal: Diaphragm = DIAPHRAGMS["recv_ring_armature"]
    pa_per_v: float = 8.4
    magnet: float = 1.0
    limit_v: float = 1.34
    touch_pa: float = math.inf
    ohm: float = 40.0

    def limit(self, drive_v: Array) -> Array:
        """Volts left across the receiver by the click limiter, shape kept."""
        if not math.isfinite(self.limit_v):
            return drive_v
        return np.asarray(drive_v / np.sqrt(1.0 + (drive_v / self.limit_v) ** 2))

    def pull(self, drive_v: Array) -> Array:
        """Varying part of the pull, as volts of a sound receiver, shape kept."""
        return np.asarray(drive_v * (self.magnet + 0.5 * FIELD_PER_V * drive_v))


def compute_receive(
    receiver: Receiver,
    grid: Grid,
    drive: Spectrum,
    coupler: Spectrum,
    *,
    factor: int,
    generator: np.random.Generator | None,
) -> Spectrum:
    """
    Coupler pressure from the drive of the receiver.

    Parameters
    ----------
    receiver : Receiver
    grid : Grid
    drive : ndarray, shape (n_samples / 2 + 1,)
        Spectrum, line volts.
    coupler : ndarray, shape (n_samples / 2 + 1,)
        Pressure re the sealed coupler.
    factor : int
        Oversampling.
    generator : numpy.random.Generator or None
        Draws the size of the blows of a diaphragm that touches; None for all alike.

    Returns
    -------
    ndarray, shape (n_samples / 2 + 1,)
        Spectrum, Pa.
    """
    pulled = grid.apply_curve(drive, lambda volts: receiver.pull(receiver.limit(volts)), factor)
    mechanics = receiver.diaphragm.respond_relative(grid.frequency_hz, receiver.nominal)
    moved = pulled * mechanics * receiver.pa_per_v
    if math.isfinite(receiver.touch_pa):
        rate_hz = factor * grid.rate_hz

        def touch(displacement_pa: Array) -> Array:
            return strike(displacement_pa, receiver.touch_pa, POLE_STIFFNESS, rate_hz, generator)

        moved = grid.apply_curve(moved, touch, factor)
    return moved * coupler
