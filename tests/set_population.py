# mypy: disable-error-code="arg-type,no-any-return"
"""
Healthy set types as random populations, drawn straight as measurements.

A set of a type differs from the type's mean by a level of its own and a smooth random curve
(Gaussian process over log frequency); each seat adds a smaller one. THD, noise and compression
vary from set to set on a dB scale. Nothing here comes from the code that judges it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np

from voicecheck.records import (
    Bands,
    Conditions,
    Distortion,
    Intermodulation,
    Linearity,
    Measurement,
    Noise,
    RecordingInfo,
    Response,
)

# 1/12-octave midbands of IEC 61260-1, base ten, even denominator: G^((2k+1)/24) from 1 kHz.
FREQUENCY_HZ = 1000.0 * 10.0 ** (0.3 * (2.0 * np.arange(-28, 25) + 1.0) / 24.0)
OCTAVES = np.log2(FREQUENCY_HZ / 1000.0)
STEPS_DB = np.array([-30.0, -24.0, -18.0, -12.0, -6.0, 0.0, 6.0])


@cache
def make_root(length_octaves: float) -> np.ndarray:
    """Square root of a squared-exponential correlation between the points."""
    distance = OCTAVES[:, None] - OCTAVES[None, :]
    values, vectors = np.linalg.eigh(np.exp(-0.5 * (distance / length_octaves) ** 2))
    return vectors * np.sqrt(np.clip(values, 0.0, None))


@dataclass(frozen=True, kw_only=True)
class Population:
    """
    One type and path.

    `sd_db` is the standard deviation from set to set at any one point; `level_share` the part of
    its variance that is the same at all points. `uneven` lets the spread grow with frequency, by
    this factor over the band. `tail` is the degrees of freedom of Student deviates (None: normal).
    """

    path: str = "transmit"
    sd_db: float = 1.0
    level_share: float = 0.5
    length_octaves: float = 0.7
    uneven: float = 1.0
    seat_sd_db: float = 0.4
    thd_sd_db: float | None = None
    noise_sd_db: float | None = None
    n_seats: int = 3
    tail: float | None = None
    unit: str = "dB V/Pa"
    conditions: Conditions = field(
        default_factory=lambda: Conditions(
            bench="shop", feed_ma=40.0, mouth_mm=25.0, level_dbfs=-12.0, calibration="spring"
        )
    )

    def deviates(self, random: np.random.Generator, size: int | tuple[int, ...]) -> np.ndarray:
        """Unit-variance deviates, normal or heavy-tailed."""
        if self.tail is None:
            return random.standard_normal(size)
        return random.standard_t(self.tail, size) * np.sqrt((self.tail - 2.0) / self.tail)


@dataclass(frozen=True, kw_only=True)
class DrawnSet:
    """What one set is in truth; levels in dB, THD as dB re 1 %."""

    curve_db: np.ndarray
    thd_db: np.ndarray
    noise_dbm: float
    compression_db: float


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A change of a set: level and dip in dB, THD as a factor, noise in dB."""

    level_db: float = 0.0
    dip_db: float = 0.0
    dip_hz: float = 1000.0
    dip_octaves: float = 1.0
    thd_factor: float = 1.0
    noise_db: float = 0.0


HEALTHY = Fault()


def draw_set(
    population: Population, random: np.random.Generator, fault: Fault = HEALTHY
) -> DrawnSet:
    """One more set of a type, with a fault."""
    sd = population.sd_db
    profile = population.uneven ** ((OCTAVES - OCTAVES.mean()) / np.ptp(OCTAVES))
    level = np.sqrt(population.level_share) * population.deviates(random, 1)
    root = make_root(population.length_octaves)
    wave = np.sqrt(1.0 - population.level_share) * root @ population.deviates(random, len(OCTAVES))
    thd_sd = sd if population.thd_sd_db is None else population.thd_sd_db
    noise_sd = 1.5 * sd if population.noise_sd_db is None else population.noise_sd_db
    thd_root = make_root(1.5)
    thd = 19.0 - 2.0 * OCTAVES + thd_sd * thd_root @ population.deviates(random, len(OCTAVES))
    dip = np.where(
        np.abs(OCTAVES - np.log2(fault.dip_hz / 1000.0)) <= fault.dip_octaves / 2.0, 1.0, 0.0
    )
    mean = -22.0 + 2.0 * OCTAVES - 3.0 * np.maximum(OCTAVES - 1.5, 0.0) ** 2
    return DrawnSet(
        curve_db=mean + sd * profile * (level + wave) - fault.level_db - fault.dip_db * dip,
        thd_db=thd + 20.0 * np.log10(fault.thd_factor),
        noise_dbm=-68.0 + noise_sd * float(population.deviates(random, 1)[0]) + fault.noise_db,
        compression_db=2.0 + 0.3 * sd * float(population.deviates(random, 1)[0]),
    )


def measure_set(
    population: Population, drawn: DrawnSet, random: np.random.Generator, n_seats: int | None = None
) -> list[Measurement]:
    """One measurement for each seat."""
    seats = population.n_seats if n_seats is None else n_seats
    return [_measure_seat(population, drawn, random, seat) for seat in range(seats)]


def _power_mean_db(level_db: np.ndarray, low_hz: float, high_hz: float) -> float:
    inside = (low_hz <= FREQUENCY_HZ) & (high_hz >= FREQUENCY_HZ)
    return float(10.0 * np.log10(np.mean(10.0 ** (level_db[inside] / 10.0))))


def _measure_seat(
    population: Population, drawn: DrawnSet, random: np.random.Generator, seat: int
) -> Measurement:
    seat_sd = population.seat_sd_db
    wave = make_root(1.0) @ random.standard_normal(len(OCTAVES))
    noise = 0.02 * random.standard_normal(len(OCTAVES))
    level = drawn.curve_db + seat_sd * (0.7 * random.standard_normal() + 0.7 * wave) + noise
    thd = 10.0 ** ((drawn.thd_db + 0.5 * seat_sd * random.standard_normal()) / 20.0)
    at_1khz = int(np.argmin(np.abs(OCTAVES)))
    none = np.full(len(OCTAVES), np.nan)
    orders = np.array([[-1.0], [-12.0], [-25.0], [-35.0]])
    return Measurement(
        recording=RecordingInfo(rate_hz=48000, duration_s=16.0, channel=1),
        response=Response(
            unit=population.unit,
            frequency_hz=FREQUENCY_HZ,
            level_db=level,
            uncertainty_db=np.full(len(OCTAVES), 0.04),
            snr_db=np.full(len(OCTAVES), 45.0),
            phase_rad=np.zeros(len(OCTAVES)),
            group_delay_s=np.zeros(len(OCTAVES)),
        ),
        bands=Bands(
            low_db=_power_mean_db(level, 200.0, 500.0),
            mid_db=_power_mean_db(level, 500.0, 2000.0),
            high_db=_power_mean_db(level, 2000.0, 3400.0),
            at_1khz_db=float(level[at_1khz]),
        ),
        distortion=Distortion(
            frequency_hz=FREQUENCY_HZ,
            thd_percent=thd,
            thd_uncertainty_percent=0.01 * thd,
            harmonic_order=(2, 3, 4, 5),
            harmonic_db=20.0 * np.log10(thd / 100.0) + orders,
            thd_below_percent=none,
            harmonic_below_db=np.tile(none, (4, 1)),
        ),
        linearity=Linearity(
            frequency_hz=1000.0,
            input_db=STEPS_DB,
            output_db=STEPS_DB - 30.0,
            thd_percent=np.full(len(STEPS_DB), thd[at_1khz]),
            thd_below_percent=np.full(len(STEPS_DB), np.nan),
            compression_db=drawn.compression_db + 0.1 * random.standard_normal(),
            threshold_db=1.0,
        ),
        intermodulation=Intermodulation(order2_db=-31.0, order3_db=-44.0),
        noise=Noise(
            flat_dbfs=drawn.noise_dbm + 3.0,
            psophometric_dbfs=drawn.noise_dbm,
            psophometric_dbm=drawn.noise_dbm + 0.5 * random.standard_normal(),
            mains_hz=50.0,
            mains_dbfs=-90.0,
            bursts_per_s=0.0,
            kurtosis=3.0,
            slope_db_per_decade=-9.5,
        ),
        sinad_db=float(-20.0 * np.log10(thd[at_1khz] / 100.0)) - 0.3,
        conditions=population.conditions.replace(path=population.path, seat=seat + 1),
        version="0.1.0",
    )
