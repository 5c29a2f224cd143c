"""Single numbers read out of a measurement; `None` where there is none."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from voicecheck.records import Measurement
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import THD_AT_HZ

BAND_HZ = (200.0, 4000.0)
NEAR_OCTAVES = 1.0 / 24.0 + 1e-3
"""Half the spacing of 1/12-octave points: a point further away is not the one asked for."""

Read = Callable[[Measurement], float | None]


def value_at(frequency_hz: Array, values: Array, wanted_hz: float) -> float | None:
    """
    Value at the point nearest to a frequency.

    Parameters
    ----------
    frequency_hz, values : ndarray, shape (n_points,)
    wanted_hz : float
        Hz.

    Returns
    -------
    float or None
        `None` where there is no point within half a 1/12 octave, or it is withheld.
    """
    if len(frequency_hz) == 0:
        return None
    distance = np.abs(np.log2(frequency_hz / wanted_hz))
    nearest = int(np.argmin(distance))
    if distance[nearest] > NEAR_OCTAVES or not math.isfinite(values[nearest]):
        return None
    return float(values[nearest])


def mean_level_db(frequency_hz: Array, level_db: Array) -> float:
    """
    Mean of a curve's levels over 200-4000 Hz in dB; NaN when every point is withheld.

    Points are spaced evenly in log frequency, so each octave weighs the same.
    """
    low_hz, high_hz = BAND_HZ
    # Half a 1/12 octave of slack: the bands at the edges have their middle a little outside.
    inside = (frequency_hz > low_hz / 1.03) & (frequency_hz < high_hz * 1.03)
    kept = inside & np.isfinite(level_db)
    return float(np.mean(level_db[kept])) if np.any(kept) else math.nan


def read_thd(wanted_hz: float) -> Read:
    """THD at one frequency, percent."""

    def read(measurement: Measurement) -> float | None:
        part = measurement.distortion
        return value_at(part.frequency_hz, part.thd_percent, wanted_hz) if part else None

    return read


def read_thd_max(measurement: Measurement) -> float | None:
    """Largest THD of the curve, percent."""
    part = measurement.distortion
    if part is None or not np.any(np.isfinite(part.thd_percent)):
        return None
    return float(np.nanmax(part.thd_percent))


def read_residual(measurement: Measurement) -> float | None:
    """Residual distortion over the voice band, percent."""
    return measurement.residual.voice_percent if measurement.residual else None


def read_crest(measurement: Measurement) -> float | None:
    """Highest crest of the residual distortion in a band, dB."""
    part = measurement.residual
    if part is None or not np.any(np.isfinite(part.crest_db)):
        return None
    return float(np.nanmax(part.crest_db))


def read_harmonic(order: int, wanted_hz: float) -> Read:
    """Level of one harmonic at one frequency, dB re the fundamental."""

    def read(measurement: Measurement) -> float | None:
        part = measurement.distortion
        if part is None or order not in part.harmonic_order:
            return None
        row = part.harmonic_db[part.harmonic_order.index(order)]
        return value_at(part.frequency_hz, row, wanted_hz)

    return read


def read_h2_over_h3(measurement: Measurement) -> float | None:
    """Second harmonic over the third at 500 Hz, dB."""
    second, third = (read_harmonic(order, 500.0)(measurement) for order in (2, 3))
    return None if second is None or third is None else second - third


def read_high_over_low(measurement: Measurement) -> float | None:
    """High band over low band, dB."""
    bands = measurement.bands
    return None if bands.high_db is None or bands.low_db is None else bands.high_db - bands.low_db


def read_peak_hz(measurement: Measurement) -> float | None:
    """Frequency of the highest point of the curve, Hz."""
    part = measurement.response
    if part is None or not np.any(np.isfinite(part.level_db)):
        return None
    return float(part.frequency_hz[int(np.nanargmax(part.level_db))])


def read_compression(measurement: Measurement) -> float | None:
    """Loss of gain at the top step, dB."""
    return measurement.linearity.compression_db if measurement.linearity else None


def read_threshold(measurement: Measurement) -> float | None:
    """Loss of gain at -20 dB, dB."""
    return measurement.linearity.threshold_db if measurement.linearity else None


def read_drift(measurement: Measurement) -> float | None:
    """
    Level of the 1 kHz step at nominal drive less that of the sweeps, dB plus a constant.

    Both are played at one level, some seconds apart: held against the type, a difference is a
    level that moved meanwhile.
    """
    part, level = measurement.linearity, measurement.bands.at_1khz_db
    if part is None or level is None or part.frequency_hz != 1000.0:
        return None
    nominal = np.flatnonzero(np.abs(part.input_db) < 1e-9)
    if len(nominal) == 0 or not math.isfinite(part.output_db[nominal[0]]):
        return None
    return float(part.output_db[nominal[0]]) - level


def read_tonal(measurement: Measurement) -> float | None:
    """
    How far the loudest narrow band of the idle noise stands above those around it, dB.

    Bands within one of a mains multiple are passed over.
    """
    noise = measurement.noise
    if noise.band_hz is None or noise.band_dbfs is None or len(noise.band_hz) < 15:
        return None
    level, hz = noise.band_dbfs, noise.band_hz
    heights = []
    for k in range(4, len(level) - 4):
        is_mains = noise.mains_hz is not None and _is_near_multiple(hz[k], noise.mains_hz)
        if 250.0 < hz[k] < 4000.0 and not is_mains:
            around = np.concatenate([level[k - 4 : k - 1], level[k + 2 : k + 5]])
            heights.append(float(level[k] - np.median(around)))
    return max(heights) if heights else None


def _is_near_multiple(frequency_hz: float, mains_hz: float) -> bool:
    order = round(frequency_hz / mains_hz)
    return 1 <= order <= 15 and abs(frequency_hz / mains_hz - order) < 0.06 * order


READERS: Mapping[str, Read] = {
    "mid_db": lambda m: m.bands.mid_db,
    "low_db": lambda m: m.bands.low_db,
    "high_db": lambda m: m.bands.high_db,
    "at_1khz_db": lambda m: m.bands.at_1khz_db,
    **{f"thd_{hz:.0f}_percent": read_thd(hz) for hz in THD_AT_HZ},
    "thd_max_percent": read_thd_max,
    "residual_percent": read_residual,
    "residual_crest_db": read_crest,
    "sinad_db": lambda m: m.sinad_db,
    "psophometric_dbm": lambda m: m.noise.psophometric_dbm,
    "psophometric_dbfs": lambda m: m.noise.psophometric_dbfs,
    "compression_db": read_compression,
    "threshold_db": read_threshold,
    "h2_500_db": read_harmonic(2, 500.0),
    "h3_500_db": read_harmonic(3, 500.0),
    "h5_500_db": read_harmonic(5, 500.0),
    "h2_over_h3_db": read_h2_over_h3,
    "high_over_low_db": read_high_over_low,
    "peak_hz": read_peak_hz,
    "flat_dbfs": lambda m: m.noise.flat_dbfs,
    "mains_dbfs": lambda m: m.noise.mains_dbfs,
    "bursts_per_s": lambda m: m.noise.bursts_per_s,
    "kurtosis": lambda m: m.noise.kurtosis,
    "slope_db_per_decade": lambda m: m.noise.slope_db_per_decade,
    "loop_ma": lambda m: m.conditions.loop_ma,
    "transmitter_ohm": lambda m: m.conditions.transmitter_ohm,
    "drift_db": read_drift,
    "take_drift_db": lambda m: m.steadiness.drift_db,
    "losses": lambda m: m.steadiness.losses_per_min,
    "tonal_db": read_tonal,
    "order2_db": lambda m: m.intermodulation.order2_db,
    "order3_db": lambda m: m.intermodulation.order3_db,
}
"""How each row of the table of quantities is read."""
