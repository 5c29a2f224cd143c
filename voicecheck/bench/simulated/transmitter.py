"""
Transmitters: carbon granules, and the amplified elements that replace them.

Carbon. The diaphragm presses the granules; their resistance is R (1 - q) with q in step with the
pressure. In the loop the current is I (R + Z) / (R (1 - q) + Z) = I / (1 - a q/q0), a = q0 R /
(R + Z): an amplifier whose second harmonic is a/2 and third a^2/4 (rows `carbon,H2_at_89dBSPL`,
CALC). Loose granules stick until they are shaken (`low_level_sensitivity_loss_70dBSPL`, MEM) and
cannot be pressed beyond a ceiling (`high_level_compression_plus10dB`, MEM). The resistance falls
with current (`resistance_current_exponent`, PROP), and fluctuates by itself: excess noise
V^2 ~ Vdc^1.85 R^1.25 log(f2/f1) (MEM, S09). What they do over time is in `granules`.

Amplified elements. An amplifier fed by the loop itself: it modulates the loop current about its
working point, cannot swing below what it needs to live, and goes quiet below a least current
(`electret,min_working_current`, MEM).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from voicecheck.bench.simulated.contact import ring
from voicecheck.bench.simulated.granules import Granules, follow_mean
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
    granules : Granules
        What they do while they are listened to.
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
    granules: Granules = field(default_factory=Granules)

    def compute_ohm(self, current_a: float) -> float:
        """Resistance at a direct current, ohm."""
        return float(self.rest_ohm * (max(current_a, 1e-3) / NOMINAL_A) ** self.current_exponent)

    def loosen(
        self, drive_pa: Array, rate_hz: int, generator: np.random.Generator | None = None
    ) -> tuple[Array, Array]:
        """
        Weight a drive by how far the granules are shaken loose, and by their moods.

        Their state follows the mean square of the drive with a time constant of 15 ms, so the
        threshold bends no single swing.

        Parameters
        ----------
        drive_pa : ndarray, shape (n_samples,)
            Pressure after the mechanics.
        rate_hz : int
        generator : numpy.random.Generator or None
            Draws the re-arrangements of the granules; None for none.

        Returns
        -------
        weighted_pa : ndarray, shape (n_samples,)
        mean_square_pa2 : ndarray, shape (n_samples,)
            What shakes them.
        """
        mean_square_pa2 = follow_mean(drive_pa**2, rate_hz, LOOSENING_S)
        shaken = mean_square_pa2 / self.loosening_pa**2
        loosened = shaken / (1.0 + shaken)
        weight = self.stuck_ratio + (1.0 - self.stuck_ratio) * loosened
        weight *= self.granules.compute_gain(loosened, rate_hz, generator)
        return drive_pa * weight, mean_square_pa2

    def move(
        self, drive_pa: Array, rate_hz: float, generator: np.random.Generator | None = None
    ) -> Array:
        """
        Drive as it reaches the granules' contacts: stopped where the diaphragm strikes, dragged.

        Parameters
        ----------
        drive_pa : ndarray, shape (n_samples,)
            Oversampled, in the order of time.
        rate_hz : float
            Of these samples.
        generator : numpy.random.Generator or None
            Draws the size of the blows; None for all alike.

        Returns
        -------
        ndarray, shape (n_samples,)
        """
        if not math.isfinite(self.stop_pa):
            return self.granules.follow(drive_pa)
        blows_pa = ring(drive_pa, self.stop_pa, rate_hz, generator)
        blows_pa -= ring(-drive_pa, self.stop_pa, rate_hz, generator)
        # The granules behind it give way softly; the stops themselves do not.
        held_pa = drive_pa / (1.0 + (drive_pa / self.stop_pa) ** 4) ** 0.25
        return self.granules.follow(held_pa) - blows_pa

    def modulate(self, drive_pa: Array) -> Array:
        """Relative fall of the resistance under a drive, below the ceiling, shape kept."""
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
    generator: np.random.Generator | None,
) -> tuple[Spectrum, Array | None]:
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
    generator : numpy.random.Generator or None
        Draws what the granules do by chance; None for nothing.

    Returns
    -------
    sent : ndarray, shape (n_samples / 2 + 1,)
        Spectrum, V.
    breath : ndarray, shape (n_samples,), or None
        Amplitude of the element's noise over time re idle; None where it keeps still.
    """
    drive = pressure * element.diaphragm.respond_relative(grid.frequency_hz, element.nominal)
    breath = None
    if isinstance(element, CarbonElement):
        loosened, shaking_pa2 = element.loosen(grid.to_samples(drive), grid.rate_hz, generator)
        drive, breath = grid.to_spectrum(loosened), element.granules.compute_breath(shaking_pa2)

    def follow(drive_pa: Array) -> Array:
        if isinstance(element, CarbonElement):
            drive_pa = element.move(drive_pa, factor * grid.rate_hz, generator)
        return element.compute_current(drive_pa, current_a, network.seen_ohm)

    current = grid.apply_curve(drive, follow, factor)
    return current * (network.transfer_ohm * network.send_ratio), breath
