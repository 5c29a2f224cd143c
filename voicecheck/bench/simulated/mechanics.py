"""
Vibrating parts as exact complex responses: diaphragms, the sealed coupler, leaks, the mouth.

Diaphragm shapes are resonances (second order) behind a first-order roll-off at low frequencies,
fitted by least squares to the rows of `simulated_curves.csv`; a test holds each against its rows.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.grid import Spectrum
from voicecheck.records.arrays import Array

REFERENCE_HZ = 1000.0
COUPLER_CM3 = 6.0
MOUTH_MM = 25.0
"""From the lips to the mouthpiece: 2 mm there are 0.7 dB (fault row F29, CALC)."""


def compute_highpass(frequency_hz: Array, corner_hz: float) -> Spectrum:
    """First-order high-pass, shape (n,); 0 Hz gives 0."""
    if corner_hz <= 0.0:
        return np.ones_like(frequency_hz, dtype=np.complex128)
    ratio = 1j * frequency_hz / corner_hz
    return np.asarray(ratio / (1.0 + ratio))


def compute_lowpass(frequency_hz: Array, corner_hz: float) -> Spectrum:
    """First-order low-pass, shape (n,)."""
    return np.asarray(1.0 / (1.0 + 1j * frequency_hz / corner_hz))


def compute_resonance(frequency_hz: Array, resonance_hz: float, quality: float) -> Spectrum:
    """Displacement of a mass on a damped spring under a constant force, 1 at 0 Hz, shape (n,)."""
    ratio = frequency_hz / resonance_hz
    return np.asarray(1.0 / (1.0 - ratio**2 + 1j * ratio / quality))


@dataclass(frozen=True, slots=True, kw_only=True)
class Diaphragm:
    """
    A diaphragm with its cavity.

    Parameters
    ----------
    leak_hz : float
        Corner of the roll-off below, 0 for none.
    first_hz, first_quality : float
        The diaphragm's own resonance.
    second_hz, second_quality : float
        The cavity's, or the diaphragm's second mode; 0 Hz for none.
    second_share : float
        0: the second resonance follows the first (a cavity). Otherwise it moves beside it with
        this share of the displacement, negative in counterphase (a mode of one plate).
    """

    leak_hz: float
    first_hz: float
    first_quality: float
    second_hz: float = 0.0
    second_quality: float = 1.0
    second_share: float = 0.0

    def respond(self, frequency_hz: Array) -> Spectrum:
        """Displacement per force, not scaled, shape (n,)."""
        first = compute_resonance(frequency_hz, self.first_hz, self.first_quality)
        if self.second_hz > 0.0:
            second = compute_resonance(frequency_hz, self.second_hz, self.second_quality)
            first = first + self.second_share * second if self.second_share else first * second
        return np.asarray(first * compute_highpass(frequency_hz, self.leak_hz))

    def respond_relative(self, frequency_hz: Array, nominal: Diaphragm) -> Spectrum:
        """Response re the nominal part's at 1 kHz, so that a shifted resonance moves the level."""
        scale = abs(nominal.respond(np.array([REFERENCE_HZ]))[0])
        return np.asarray(self.respond(frequency_hz) / scale)

    def vary(self, generator: np.random.Generator, sd: float) -> Diaphragm:
        """Another specimen: resonances differ by `sd`, damping by three times that."""
        shift = 1.0 + sd * np.clip(generator.standard_normal(5), -2.5, 2.5)
        return dataclasses.replace(
            self,
            leak_hz=self.leak_hz * float(shift[0]) ** 2,
            first_hz=self.first_hz * float(shift[1]),
            first_quality=self.first_quality * float(shift[2]) ** 3,
            second_hz=self.second_hz * float(shift[3]),
            second_quality=self.second_quality * float(shift[4]) ** 3,
        )


DIAPHRAGMS = {
    "carbon_later_element": Diaphragm(
        leak_hz=498.0,
        first_hz=2540.0,
        first_quality=0.978,
        second_hz=3211.0,
        second_quality=2.568,
    ),
    "carbon_early_element": Diaphragm(
        leak_hz=2776.0,
        first_hz=916.6,
        first_quality=1.526,
        second_hz=3004.0,
        second_quality=1.205,
    ),
    "electret_replacement": Diaphragm(
        leak_hz=207.1,
        first_hz=3718.0,
        first_quality=1.227,
        second_hz=12000.0,
        second_quality=0.527,
    ),
    "movingcoil_replacement": Diaphragm(
        leak_hz=383.0,
        first_hz=3072.0,
        first_quality=2.168,
        second_hz=7333.0,
        second_quality=0.3,
    ),
    "recv_ring_armature": Diaphragm(
        leak_hz=206.4,
        first_hz=2157.0,
        first_quality=0.563,
        second_hz=3287.0,
        second_quality=3.038,
    ),
    "recv_bipolar_damped": Diaphragm(
        leak_hz=134.6,
        first_hz=1904.0,
        first_quality=0.833,
        second_hz=2764.0,
        second_quality=2.664,
    ),
    "recv_bipolar_early": Diaphragm(
        leak_hz=0.0,
        first_hz=956.7,
        first_quality=4.248,
        second_hz=2620.0,
        second_quality=3.201,
        second_share=-0.2662,
    ),
}


def compute_coupler(frequency_hz: Array, *, volume_cm3: float, leak_hz: float) -> Spectrum:
    """
    Pressure in the ear coupler re the sealed coupler of 6 cm3.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    volume_cm3 : float
        The air is a spring: pressure per displaced volume goes with 1 / volume.
    leak_hz : float
        Corner of a resistive leak (foam, felt), 0 for a perfect seal.

    Returns
    -------
    ndarray, shape (n,)
        Ratio, no unit.
    """
    return compute_highpass(frequency_hz, leak_hz) * (COUPLER_CM3 / volume_cm3)


def compute_distance_ratio(distance_mm: float) -> float:
    """
    Pressure at the mouthpiece re that at the nominal distance from the lips.

    Parameters
    ----------
    distance_mm : float

    Returns
    -------
    float
        Ratio: a small source, so pressure goes with 1 / distance.

    Examples
    --------
    >>> compute_distance_ratio(50.0)
    0.5
    """
    return MOUTH_MM / distance_mm
