"""The air of a small cavity: what it takes, what its walls add, and how waves in it are undone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array

GAMMA = 1.4
"""Ratio of the specific heats of a gas of two atoms, 7/5 (CALC); of moist air less by 0.2 %."""
GAS_CONSTANT = 287.05
"""Of dry air, J/(kg K): 8.3145 / 0.028965 (CALC)."""
HEAT_M2_PER_S = 2.1e-5
"""How heat spreads in air at 20 degrees (MEM); its whole effect stands in the row "walls"."""
STANDARD_HPA, STANDARD_C = 1013.25, 20.0
ROUNDS = 25
Admittance = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bore:
    """
    Two blocks of one round bore, by their volumes, and the air in them.

    Parameters
    ----------
    small_cm3, large_cm3 : float
    bore_mm : float, optional
        Across; if left out the larger block is taken to be as high as it is wide.
    pressure_hpa, temperature_c : float, optional
        Standard ones if left out.
    """

    small_cm3: float
    large_cm3: float
    bore_mm: float | None = None
    pressure_hpa: float | None = None
    temperature_c: float | None = None

    @property
    def width_m(self) -> float:
        """Across the bore."""
        if self.bore_mm is not None:
            return 1e-3 * self.bore_mm
        return 1e-2 * math.cbrt(4.0 * self.large_cm3 / math.pi)

    @property
    def area_m2(self) -> float:
        """Of the bore."""
        return 0.25 * math.pi * self.width_m**2

    @property
    def stiffness_pa(self) -> float:
        """Pressure for a share of volume, no heat lost: gamma P0."""
        return GAMMA * 100.0 * (self.pressure_hpa or STANDARD_HPA)

    @property
    def speed_m_per_s(self) -> float:
        """Of sound."""
        degrees_c = STANDARD_C if self.temperature_c is None else self.temperature_c
        return math.sqrt(GAMMA * GAS_CONSTANT * (273.15 + degrees_c))


def compute_step_admittance(frequency_hz: Array, bore: Bore) -> Admittance:
    """
    What the larger cavity's air takes more than the smaller one's, were there no waves.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    bore : Bore

    Returns
    -------
    complex ndarray, shape (n,)
        m3/(s Pa): j omega V / (gamma P0), and what the walls' heat adds.
    """
    volume_m3 = 1e-6 * (bore.large_cm3 - bore.small_cm3)
    wall = 1.0 + (1.0 - 1.0j) * find_wall_share(frequency_hz, bore)
    return np.asarray(2j * np.pi * frequency_hz * volume_m3 / bore.stiffness_pa * wall)


def find_wall_share(frequency_hz: Array, bore: Bore) -> Array:
    """
    What the walls' heat adds to the air's compliance, as a share of it.

    Within a layer of sqrt(2 alpha / omega) the air is as warm as the wall and gives way the more,
    by gamma - 1; such a layer counts half, once in phase and once across (CALC). Of the walls only
    the bore's own grows from the one cavity to the other: 4 over the width for each volume.
    """
    layer_m = np.sqrt(2.0 * HEAT_M2_PER_S / (2.0 * np.pi * frequency_hz))
    return np.asarray((GAMMA - 1.0) * 0.5 * layer_m * 4.0 / bore.width_m)


def undo_waves(frequency_hz: Array, small: Admittance, large: Admittance, bore: Bore) -> Admittance:
    """
    Factor that makes admittances of two cavities out of what was measured of them.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    small, large : complex ndarray, shape (n,)
        What the microphone looks into, all alike in an unknown complex factor.
    bore : Bore

    Returns
    -------
    complex ndarray, shape (n,)
        Times it, they are in m3/(s Pa).

    Notes
    -----
    A microphone half way up a tube looks into its two halves, each closed by half of what the
    transducers take (theory of lines, closed form). The factor is the one with which the smaller
    cavity's reading, carried back to the transducers and from there through the longer tube,
    gives the larger one's.
    """
    turn_per_m = 2.0 * np.pi * frequency_hz / bore.speed_m_per_s
    density = bore.stiffness_pa / bore.speed_m_per_s**2
    line_ohm = density * bore.speed_m_per_s / bore.area_m2
    half_m = [0.5e-6 * one / bore.area_m2 for one in (bore.small_cm3, bore.large_cm3)]
    still = compute_step_admittance(frequency_hz, bore)
    # A line has no walls: their heat is added as where there are no waves.
    wall = still * (1.0 - 1.0 / (1.0 + (1.0 - 1.0j) * find_wall_share(frequency_hz, bore)))
    factor = still / (large - small)
    for _ in range(ROUNDS):
        ends = _look_through(0.5 * factor * small, -half_m[0] * turn_per_m, line_ohm)
        expected = 2.0 * _look_through(ends, half_m[1] * turn_per_m, line_ohm)
        factor = (expected + wall - factor * small) / (large - small)
    return np.asarray(factor)


def _look_through(end: Admittance, turn: Array, line_ohm: float) -> Admittance:
    """Admittance at one end of a tube that is closed by another at its far end."""
    across = 1j * np.tan(turn)
    return np.asarray((end + across / line_ohm) / (1.0 + across * line_ohm * end))
