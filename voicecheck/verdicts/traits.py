"""
A set in seven numbers: five of its curve, its distortion and its idle noise, all in dB.

The curve over 200-4000 Hz is written as Legendre polynomials of log frequency up to the fourth
degree (general mathematics): its level, its slope, its bow and two finer waves. They do not hang
on the points that a curve happens to be given at, and are what kindred types have in common.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from voicecheck.records import Measurement, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import BY_NAME, THD_AT_HZ
from voicecheck.verdicts.quantities import to_scale
from voicecheck.verdicts.readings import BAND_HZ, READERS

CURVE_TRAITS = ("level", "slope", "bow", "third", "fourth")
TRAITS = (*CURVE_TRAITS, "distortion", "noise")
LEVEL = TRAITS.index("level")
SHAPE = slice(1, len(CURVE_TRAITS))
DISTORTION, NOISE = TRAITS.index("distortion"), TRAITS.index("noise")
NOISE_FIGURES = ("psophometric_dbm", "psophometric_dbfs")
FEWEST_POINTS_SHARE = 0.75
"""A curve with more of its points withheld has no traits (a choice, not a source)."""


def choose_noise(runs: Sequence[Run]) -> str:
    """The figure of idle noise that all runs have, in dBm if they can; "" for none."""
    for name in NOISE_FIGURES:
        if all(READERS[name](run.pooled) is not None for run in runs):
            return name
    return ""


def read_traits(measurement: Measurement, noise_from: str) -> Array:
    """
    Traits of one measurement.

    Parameters
    ----------
    measurement : Measurement
    noise_from : str
        Name of the figure of idle noise; "" for none.

    Returns
    -------
    ndarray, shape (n_traits,)
        dB, in the order of `TRAITS`; NaN where withheld.
    """
    traits = np.full(len(TRAITS), np.nan)
    if measurement.response is not None:
        traits[: len(CURVE_TRAITS)] = fit_curve(measurement.response)
    names = [f"thd_{hz:.0f}_percent" for hz in THD_AT_HZ]
    thd_db = [to_scale(BY_NAME[name], READERS[name](measurement)) for name in names]
    # All or none: a mean over other frequencies would be another figure.
    traits[DISTORTION] = float(np.mean(thd_db))
    noise = READERS[noise_from](measurement) if noise_from else None
    traits[NOISE] = math.nan if noise is None else noise
    return traits


def fit_curve(response: Response) -> Array:
    """
    A curve's level, slope, bow and finer waves.

    Returns
    -------
    ndarray, shape (5,)
        dB: the mean level, and the rms over the band of each wave; NaN with too few points.
    """
    low_hz, high_hz = BAND_HZ
    hz = response.frequency_hz
    # Half a 1/12 octave of slack: the bands at the edges have their middle a little outside.
    inside = (hz > low_hz / 1.03) & (hz < high_hz * 1.03)
    kept = inside & np.isfinite(response.level_db)
    n_traits = len(CURVE_TRAITS)
    if np.sum(kept) < max(n_traits, FEWEST_POINTS_SHARE * np.sum(inside)):
        return np.full(n_traits, np.nan)
    place = 2.0 * np.log(hz[kept] / low_hz) / math.log(high_hz / low_hz) - 1.0
    waves = np.polynomial.legendre.legvander(place, n_traits - 1)
    found = np.linalg.lstsq(waves, response.level_db[kept], rcond=None)[0]
    rms: Array = found / np.sqrt(2.0 * np.arange(n_traits) + 1.0)
    return rms
