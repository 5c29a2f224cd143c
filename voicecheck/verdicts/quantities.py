"""The named scalars of a measurement: names, units, and which side is a fault."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Measurement, Run
from voicecheck.verdicts.readings import (
    THD_AT_HZ,
    Read,
    read_compression,
    read_drift,
    read_h2_over_h3,
    read_harmonic,
    read_high_over_low,
    read_peak_hz,
    read_thd,
    read_thd_max,
    read_threshold,
    read_tonal,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """
    One scalar.

    Parameters
    ----------
    name : str
        Key in findings and baselines.
    label : str
        Name to show.
    unit : str
        "" stands for the response's own unit.
    family : str
        Group that shares an error rate; "" is kept for hints but never judged.
    side : str
        Which deviation is a fault: "both", "upper" or "lower".
    scale : str
        "log" is judged as 20 log10 of its ratio to the mean.
    read : callable
        Measurement -> value or None.
    """

    name: str
    label: str
    unit: str
    family: str
    side: str
    read: Read
    scale: str = "linear"


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        name="mid_db",
        label="level, 500-2000 Hz",
        unit="",
        family="level",
        side="both",
        read=lambda m: m.bands.mid_db,
    ),
    Quantity(
        name="low_db",
        label="level, 200-500 Hz",
        unit="",
        family="level",
        side="both",
        read=lambda m: m.bands.low_db,
    ),
    Quantity(
        name="high_db",
        label="level, 2000-3400 Hz",
        unit="",
        family="level",
        side="both",
        read=lambda m: m.bands.high_db,
    ),
    Quantity(
        name="at_1khz_db",
        label="level at 1 kHz",
        unit="",
        family="level",
        side="both",
        read=lambda m: m.bands.at_1khz_db,
    ),
    *(
        Quantity(
            name=f"thd_{hz:.0f}_percent",
            label=f"THD at {hz:.0f} Hz",
            unit="%",
            family="distortion",
            side="upper",
            read=read_thd(hz),
            scale="log",
        )
        for hz in THD_AT_HZ
    ),
    Quantity(
        name="thd_max_percent",
        label="highest THD in the band",
        unit="%",
        family="distortion",
        side="upper",
        read=read_thd_max,
        scale="log",
    ),
    Quantity(
        name="sinad_db",
        label="SINAD at 1 kHz",
        unit="dB",
        family="distortion",
        side="lower",
        read=lambda m: m.sinad_db,
    ),
    Quantity(
        name="psophometric_dbm",
        label="idle noise, psophometric",
        unit="dBm",
        family="noise",
        side="upper",
        read=lambda m: m.noise.psophometric_dbm,
    ),
    Quantity(
        name="psophometric_dbfs",
        label="idle noise, psophometric",
        unit="dBFS",
        family="noise",
        side="upper",
        read=lambda m: m.noise.psophometric_dbfs,
    ),
    Quantity(
        name="compression_db",
        label="compression at +6 dB",
        unit="dB",
        family="linearity",
        side="upper",
        read=read_compression,
    ),
    Quantity(
        name="threshold_db",
        label="loss of quiet speech (-20 dB)",
        unit="dB",
        family="",
        side="upper",
        read=read_threshold,
    ),
    Quantity(
        name="h2_500_db",
        label="H2 at 500 Hz",
        unit="dB",
        family="",
        side="upper",
        read=read_harmonic(2, 500.0),
    ),
    Quantity(
        name="h3_500_db",
        label="H3 at 500 Hz",
        unit="dB",
        family="",
        side="upper",
        read=read_harmonic(3, 500.0),
    ),
    Quantity(
        name="h5_500_db",
        label="H5 at 500 Hz",
        unit="dB",
        family="",
        side="upper",
        read=read_harmonic(5, 500.0),
    ),
    Quantity(
        name="h2_over_h3_db",
        label="H2 over H3 at 500 Hz",
        unit="dB",
        family="",
        side="both",
        read=read_h2_over_h3,
    ),
    Quantity(
        name="high_over_low_db",
        label="highs against lows",
        unit="dB",
        family="",
        side="both",
        read=read_high_over_low,
    ),
    Quantity(
        name="peak_hz",
        label="frequency of the peak",
        unit="Hz",
        family="",
        side="both",
        read=read_peak_hz,
        scale="log",
    ),
    Quantity(
        name="flat_dbfs",
        label="idle noise, flat",
        unit="dBFS",
        family="",
        side="upper",
        read=lambda m: m.noise.flat_dbfs,
    ),
    Quantity(
        name="mains_dbfs",
        label="mains hum",
        unit="dBFS",
        family="",
        side="upper",
        read=lambda m: m.noise.mains_dbfs,
    ),
    Quantity(
        name="bursts_per_s",
        label="bursts",
        unit="/s",
        family="",
        side="upper",
        read=lambda m: m.noise.bursts_per_s,
    ),
    Quantity(
        name="kurtosis",
        label="crackle in the pauses (kurtosis)",
        unit="",
        family="crackle",
        side="upper",
        read=lambda m: m.noise.kurtosis,
        scale="log",
    ),
    Quantity(
        name="slope_db_per_decade",
        label="slope of the noise",
        unit="dB/decade",
        family="",
        side="both",
        read=lambda m: m.noise.slope_db_per_decade,
    ),
    Quantity(
        name="loop_ma",
        label="loop current",
        unit="mA",
        family="",
        side="both",
        read=lambda m: m.conditions.loop_ma,
        scale="log",
    ),
    Quantity(
        name="transmitter_ohm",
        label="resistance of the transmitter",
        unit="ohm",
        family="",
        side="both",
        read=lambda m: m.conditions.transmitter_ohm,
        scale="log",
    ),
    Quantity(
        name="drift_db",
        label="change of level within the programme",
        unit="dB",
        family="",
        side="both",
        read=read_drift,
    ),
    Quantity(
        name="tonal_db",
        label="loudest narrow line of the noise",
        unit="dB",
        family="",
        side="upper",
        read=read_tonal,
    ),
    Quantity(
        name="order2_db",
        label="four-tone, 2nd order",
        unit="dB",
        family="",
        side="upper",
        read=lambda m: m.intermodulation.order2_db,
    ),
    Quantity(
        name="order3_db",
        label="four-tone, 3rd order",
        unit="dB",
        family="",
        side="upper",
        read=lambda m: m.intermodulation.order3_db,
    ),
)
"""Everything that is followed; family "" is kept for hints and never judged on its own."""

BY_NAME = {quantity.name: quantity for quantity in QUANTITIES}


def to_scale(quantity: Quantity, value: float | None) -> float:
    """Value on the scale it is judged on (dB for "log"); NaN where there is none."""
    if value is None or not math.isfinite(value):
        return math.nan
    if quantity.scale == "log":
        return 20.0 * math.log10(value) if value > 0.0 else math.nan
    return value


def from_scale(quantity: Quantity, value: float) -> float:
    """Back from the scale it is judged on to the unit it is shown in."""
    return float(10.0 ** (value / 20.0)) if quantity.scale == "log" else value


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """
    One quantity over the seats of a run, on the scale it is judged on.

    `sd` is NaN with a single seat.
    """

    mean: float
    sd: float
    n: int


def read_spread(run: Run, quantity: Quantity) -> Spread:
    """
    A quantity's mean and spread over the recordings of one run.

    Parameters
    ----------
    run : Run
    quantity : Quantity

    Returns
    -------
    Spread
        On the scale the quantity is judged on; n = 0 and NaN where no recording has it.
    """
    source: Sequence[Measurement] = run.recordings or (run.pooled,)
    values = np.array([to_scale(quantity, quantity.read(m)) for m in source if m.response])
    values = values[np.isfinite(values)]
    if len(values) == 0:
        return Spread(mean=math.nan, sd=math.nan, n=0)
    pooled = to_scale(quantity, quantity.read(run.pooled))
    mean = pooled if math.isfinite(pooled) else float(np.mean(values))
    sd = float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
    return Spread(mean=mean, sd=sd, n=len(values))
