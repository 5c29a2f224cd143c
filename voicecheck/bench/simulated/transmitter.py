"""
Transmitters: carbon granules, and the amplified elements that replace them.

Carbon. The diaphragm presses the granules; their resistance is R (1 - q) with q in step with the
pressure. In the loop the current is I (R + Z) / (R (1 - q) + Z) = I / (1 - a q/q0), a = q0 R /
(R + Z): an amplifier whose second harmonic is a/2 and third a^2/4 (rows `carbon,H2_at_89dBSPL`,
CALC). Loose granules stick until they are shaken (`low_level_sensitivity_loss_70dBSPL`, MEM) and
cannot be pressed beyond a ceiling (`high_level_compression_plus10dB`, MEM). The resistance falls
with current (`resistance_current_exponent`, PROP), and fluctuates by itself: excess noise
V^2 ~ Vdc^1.85 R^1.25 log(f2/f1) (MEM, S09).

Amplified elements. An amplifier fed by the loop itself: it modulates the loop current about its
working point, cannot swing below what it needs to live, and goes quiet below a least current
(`electret,min_working_current`, MEM).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.grid import Grid, Spectrum
from voicecheck.bench.simulated.line import Feed, Network
from voicecheck.bench.simulated.mechanics import DIAPHRAGMS, Diaphragm, compute_lowpass
from voicecheck.records.arrays import Array

NOMINAL_A = 0.040
LOOSENING_S = 0.015
NOISE_VOLTS_EXPONENT, NOISE_OHM_EXPONENT = 1.85, 1.25
NOISE_V2 = 2.7e-10
"""Excess noise, V^2 per unit of ln f at 1 V and 1 ohm: sets `carbon,idle_noise_on_line`, MEM."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarbonElement:
    """
    A carbon transmitter.

    Parameters
    ----------
    diaphragm, nominal : Diaphragm
        This element's and its type's.
    rest_ohm : float
        Resistance at rest and 40 mA.
    depth_per_pa : float
        Relative change of resistance per pascal at 1 kHz, granules loosened.
    ceiling : float
        Largest relative change.
    stuck_ratio, loosening_pa : float
        Sensitivity of granules at rest re shaken ones, and the RMS pressure that shakes them.
    current_exponent : float
        R ~ I^n.
    noise_ratio : float
        Amplitude of the excess noise re a sound element.
    stop_pa : float
        Travel at which the diaphragm strikes, as a pressure; infinite when it is free.
    seat_sd_db, seat_ohm_sd : float
        How far each conditioning moves sensitivity (dB) and resistance (relative).
    """

    diaphragm: Diaphragm = DIAPHRAGMS["carbon_later_element"]
    nominal: Diaphragm = DIAPHRAGMS["carbon_later_element"]
    rest_ohm: float = 100.0
    depth_per_pa: float = 0.305
    ceiling: float = 0.7
    stuck_ratio: float = 0.5
    loosening_pa: float = 0.105
    current_exponent: float = -0.25
    noise_ratio: float = 1.0
    stop_pa: float = math.inf
    seat_sd_db: float = 1.0
    seat_ohm_sd: float = 0.05

    def compute_ohm(self, current_a: float) -> float:
        """Resistance at a direct current, ohm."""
        return float(self.rest_ohm * (max(current_a, 1e-3) / NOMINAL_A) ** self.current_exponent)

    def loosen(self, grid: Grid, drive_pa: Array) -> Array:
        """
        Drive weighted by how far the granules are shaken loose, shape (n_samples,).

        Their state follows the mean square of the drive with a time constant of 15 ms, so the
        threshold bends no single swing.
        """
        smooth = 1.0 / (1.0 + 2j * np.pi * grid.frequency_hz * LOOSENING_S)
        shaken = grid.to_samples(grid.to_spectrum(drive_pa**2) * smooth)
        shaken = np.maximum(shaken, 0.0) / self.loosening_pa**2
        return drive_pa * ((self.stuck_ratio + shaken) / (1.0 + shaken))

    def modulate(self, drive_pa: Array) -> Array:
        """Relative fall of the resistance under a drive, below the ceiling, shape kept."""
        if math.isfinite(self.stop_pa):
            drive_pa = drive_pa / (1.0 + (drive_pa / self.stop_pa) ** 4) ** 0.25
        pressed = self.depth_per_pa * drive_pa
        return np.asarray(pressed / np.sqrt(1.0 + (pressed / self.ceiling) ** 2))

    def compute_current(self, drive_pa: Array, current_a: float, seen_ohm: float) -> Array:
        """
        Alternating current in the loop, A, shape kept.

        Parameters
        ----------
        drive_pa : ndarray
            Pressure after the mechanics.
        current_a : float
            Direct current.
        seen_ohm : float
            Impedance that the alternating current meets.
        """
        rest_ohm = self.compute_ohm(current_a)
        total_ohm = rest_ohm + seen_ohm
        share = rest_ohm / total_ohm
        return np.asarray(current_a * (1.0 / (1.0 - share * self.modulate(drive_pa)) - 1.0))

    def compute_noise_v2(self, frequency_hz: Array, current_a: float) -> Array:
        """Power density of the excess noise in series with the element, V^2/Hz, shape (n,)."""
        rest_ohm = self.compute_ohm(current_a)
        volts = current_a * rest_ohm
        power = NOISE_V2 * volts**NOISE_VOLTS_EXPONENT * rest_ohm**NOISE_OHM_EXPONENT
        return np.asarray(self.noise_ratio**2 * power / np.maximum(frequency_hz, 10.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifiedElement:
    """
    An electret or moving-coil element with an amplifier fed by the loop.

    Parameters
    ----------
    diaphragm, nominal : Diaphragm
        Capsule and amplifier together: this specimen's and its type's.
    current_a_per_pa : float
        Alternating current per pascal at 1 kHz.
    curvature_per_pa : float
        Square-law share of the capsule's amplifier.
    least_a : float
        Current below which it goes quiet.
    drop_ohm : float
        Direct volts across it over the current, at 40 mA.
    noise_v2_per_hz : float
        Noise on the line, V^2/Hz.
    """

    diaphragm: Diaphragm
    nominal: Diaphragm
    current_a_per_pa: float = 6.2e-3
    curvature_per_pa: float = 0.018
    least_a: float = 0.012
    drop_ohm: float = 110.0
    noise_v2_per_hz: float = 5.5e-12
    seat_sd_db: float = 0.05
    seat_ohm_sd: float = 0.002

    def compute_ohm(self, current_a: float) -> float:
        """Direct volts over current, ohm: a nearly constant drop, as behind a rectifier."""
        return float(self.drop_ohm * (max(current_a, 1e-3) / NOMINAL_A) ** -0.7)

    def compute_current(self, drive_pa: Array, current_a: float, seen_ohm: float) -> Array:
        """Alternating current in the loop, A, shape kept; `seen_ohm` does not matter to it."""
        del seen_ohm
        alive = 1.0 / (1.0 + math.exp(min((self.least_a - current_a) / 0.7e-3, 60.0)))
        swing_a = max(current_a - (self.least_a - 5e-3), 0.1e-3)
        wanted = drive_pa * (1.0 + self.curvature_per_pa * drive_pa)
        wanted *= alive * self.current_a_per_pa
        return np.asarray(wanted / (1.0 + (wanted / swing_a) ** 4) ** 0.25)

    def compute_noise_v2(self, frequency_hz: Array, current_a: float) -> Array:
        """Power density of its noise on the line, V^2/Hz, shape (n,)."""
        del current_a
        band = np.abs(compute_lowpass(frequency_hz, 6000.0)) ** 2
        return self.noise_v2_per_hz * band


Transmitter = CarbonElement | AmplifiedElement


def find_working_point(
    element: Transmitter, feed: Feed, series_ohm: float, most_a: float = math.inf
) -> float:
    """
    Direct current in the loop, A.

    Parameters
    ----------
    element : CarbonElement or AmplifiedElement
    feed : Feed
    series_ohm : float
        Everything else in the loop.
    most_a : float
        Limit of the current.

    Notes
    -----
    The element's resistance falls with current, so the balance of volts is found by bisection.
    """
    low_a, high_a = 1e-6, feed.feed_v / (feed.feed_ohm + series_ohm)
    for _ in range(60):
        middle_a = 0.5 * (low_a + high_a)
        fallen_v = middle_a * (feed.feed_ohm + series_ohm + element.compute_ohm(middle_a))
        low_a, high_a = (middle_a, high_a) if fallen_v < feed.feed_v else (low_a, middle_a)
    return min(middle_a, most_a)


def compute_line_noise_v2(
    element: Transmitter, network: Network, frequency_hz: Array, current_a: float
) -> Array:
    """Power density of the element's own noise on the line, V^2/Hz, shape (n,)."""
    density = element.compute_noise_v2(frequency_hz, current_a)
    if isinstance(element, CarbonElement):
        total_ohm = element.compute_ohm(current_a) + network.seen_ohm
        density = density * (network.transfer_ohm / total_ohm) ** 2
    return density * network.send_ratio**2


def compute_send(
    element: Transmitter,
    network: Network,
    grid: Grid,
    pressure: Spectrum,
    *,
    current_a: float,
    factor: int,
) -> Spectrum:
    """
    Line volts at the set's terminals from the pressure at the mouthpiece.

    Parameters
    ----------
    element : CarbonElement or AmplifiedElement
    network : Network
    grid : Grid
    pressure : ndarray, shape (n_samples / 2 + 1,)
        Spectrum, Pa.
    current_a : float
        Direct current.
    factor : int
        Oversampling.

    Returns
    -------
    ndarray, shape (n_samples / 2 + 1,)
        Spectrum, V.
    """
    drive = pressure * element.diaphragm.respond_relative(grid.frequency_hz, element.nominal)
    if isinstance(element, CarbonElement):
        drive = grid.to_spectrum(element.loosen(grid, grid.to_samples(drive)))

    def follow(drive_pa: Array) -> Array:
        return element.compute_current(drive_pa, current_a, network.seen_ohm)

    current = grid.apply_curve(drive, follow, factor)
    return current * (network.transfer_ohm * network.send_ratio)
