"""
Residual distortion: all that is not the linear part of the answer, re the fundamental.

It holds what THD of orders 2 to 5 does not: higher harmonics, subharmonics, the blows of a
diaphragm that touches. Its crest tells those from a soft curvature.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from voicecheck.budgets import add_row, combine_curve_rows, merge_row
from voicecheck.distortion.harmonics import mark_floor
from voicecheck.distortion.leftover import CELLS_IN_FRAME, Leftover
from voicecheck.records import BudgetRow, CurveBudgetRow, Residual
from voicecheck.records.arrays import Array, none_if_nan
from voicecheck.records.terms import BudgetName
from voicecheck.weighting import make_band_frequencies

LOWEST_HZ, HIGHEST_HZ = 199.0, 3200.0
"""
Where the sweep is: from the third-octave band at 200 Hz on.

Up to 3200 Hz the output band, which ends at 6400 Hz, holds the second harmonic.
"""
DETECTED, UPPER = 2.6, 2.0
"""
Standard deviations of the noise's power from which on it is stated; added to what is "less than".

As of THD (`combine_thd`): noise alone passes in 1 of 200.
"""
FLOOR = 1e-9
"""Of the fundamental's power (0.003 %): what the ends of the sweep and the arithmetic leave."""
CLEAR = 20.0
"""Power over that of the noise from which on a crest is that of the distortion alone."""


def measure_residual(
    left: Leftover, frequency_hz: Array, fundamental: Array, hum_power: float
) -> Residual:
    """
    Residual distortion in third-octave bands of the sweep, and over all of them.

    Parameters
    ----------
    left : Leftover
    frequency_hz : ndarray, shape (n_points,)
        Evenly spaced in their logarithm, from 200 Hz on.
    fundamental : ndarray, shape (n_points,)
        Mean square of the fundamental at the output there; NaN where it is withheld.
    hum_power : float
        Mean square of the mains' lines within the output band. They may stand alike in all sweeps:
        so much of what is found may be theirs.

    Returns
    -------
    Residual
        Root of the mean squares' ratio over each band, the sweep's time even in log frequency.

    Notes
    -----
    A power C that n sweeps have in common, in noise of mean square s in each, is found from N
    independent values with a variance of (4 C s / n + 2 s^2 / (n (n - 1))) / N; with one sweep,
    whose noise is known otherwise, the last part is 2 s^2.
    """
    bands_hz = make_band_frequencies(3, LOWEST_HZ, HIGHEST_HZ)
    # The first point stands for its own twelfth of an octave.
    low_hz = np.maximum(bands_hz * 2.0 ** (-1.0 / 6.0), frequency_hz[0] * 2.0 ** (-1.0 / 24.0))
    high_hz = np.minimum(bands_hz * 2.0 ** (1.0 / 6.0), HIGHEST_HZ)
    cells = (left.input_hz >= low_hz[:, None]) & (left.input_hz < high_hz[:, None])
    points = (frequency_hz >= low_hz[:, None]) & (frequency_hz < high_hz[:, None])
    is_known = points & np.isfinite(fundamental)
    n_known = np.count_nonzero(is_known, axis=1)
    heard = is_known @ np.nan_to_num(fundamental) / np.maximum(n_known, 1)
    # A band of which half is withheld has no level that the rest could be held against.
    heard = np.where(2 * n_known >= np.count_nonzero(points, axis=1), heard, np.nan)
    n_cells = np.count_nonzero(cells, axis=1)
    power, variance = cells @ left.power / n_cells, cells @ _spread(left) / n_cells**2
    doubt = hum_power + FLOOR * heard + left.doubt * (cells @ left.noise) / n_cells / left.n_sweeps
    is_heard = np.isfinite(heard)
    weight = n_cells[is_heard] / max(1, np.sum(n_cells[is_heard]))
    power, variance, heard, doubt = (
        np.append(one, np.sum(factor * one[is_heard]) if len(weight) else np.nan)
        for one, factor in (
            (power, weight), (variance, weight**2), (heard, weight), (doubt, weight),
        )
    )  # fmt: skip
    percent, below, half_width = _report(power, variance, heard, doubt)
    crest_db = np.array([_find_crest_db(left, here) for here in cells])
    return _make_record(bands_hz, percent, below, half_width, crest_db)


def _spread(left: Leftover) -> Array:
    """Variance of each cell's power by noise, shape (n_cells,)."""
    n = left.n_sweeps
    both = np.maximum(left.power, 0.0) * left.noise
    pairs = n * (n - 1) if n > 1 else 1
    return np.asarray((4.0 * both / n + 2.0 * left.noise_square / pairs) / left.n_values)


def _report(
    power: Array, variance: Array, heard: Array, doubt: Array
) -> tuple[Array, Array, Array]:
    """Percent of the fundamental, "less than" where noise hides it, half-width of 95 %."""
    spread = np.sqrt(variance)
    is_stated = power > DETECTED * spread + 2.0 * doubt
    with np.errstate(invalid="ignore", divide="ignore"):
        percent = 100.0 * np.sqrt(np.where(is_stated, power, np.nan) / heard)
        limit = np.maximum(power, 0.0) + UPPER * spread + doubt
        below = np.where(is_stated, np.nan, 100.0 * np.sqrt(limit / heard))
        half_width = 50.0 * (1.96 * spread + doubt) / np.sqrt(np.abs(power) * heard)
    return percent, below, np.where(np.isnan(percent), np.nan, half_width)


def _find_crest_db(left: Leftover, here: NDArray[np.bool_]) -> float:
    """Peak over mean square in frames of 20 ms, the louder counting more; NaN in noise, dB."""
    cells = np.flatnonzero(here)
    n_frames = len(cells) // CELLS_IN_FRAME
    if n_frames == 0:
        return math.nan
    # A band is one stretch of the sweep.
    at = slice(cells[0], cells[0] + n_frames * CELLS_IN_FRAME)
    both = np.array([left.power[at], left.noise[at] / left.n_sweeps])
    power, noise = np.sum(both.reshape(2, n_frames, CELLS_IN_FRAME), axis=-1) / CELLS_IN_FRAME
    is_clear = power > CLEAR * noise
    if not np.any(is_clear):
        return math.nan
    peak = np.max(left.peak[at].reshape(n_frames, CELLS_IN_FRAME), axis=1)
    ratio = np.sum(peak[is_clear]) / np.sum((power + noise)[is_clear])
    return float(10.0 * np.log10(ratio))


def _make_record(
    bands_hz: Array, percent: Array, below: Array, half_width: Array, crest_db: Array
) -> Residual:
    """The last value of each but the crests is that over all bands."""
    found = Residual(
        frequency_hz=bands_hz,
        percent=percent[:-1],
        below_percent=below[:-1],
        uncertainty_percent=half_width[:-1],
        crest_db=np.where(np.isnan(percent[:-1]), np.nan, crest_db),
        voice_percent=none_if_nan(percent[-1]),
        voice_below_percent=none_if_nan(below[-1]),
        voice_db=none_if_nan(20.0 * math.log10(percent[-1] / 100.0)),
        band_budget=(CurveBudgetRow(name="noise", half_width=half_width[:-1]),),
    )
    return add_row(
        found, "voice_percent", BudgetRow(name="noise", half_width=float(half_width[-1]))
    )


def limit_residual(found: Residual, floor: Array, name: BudgetName) -> Residual:
    """
    Residual distortion of which a part may be the bench's.

    Parameters
    ----------
    found : Residual
    floor : ndarray, shape (n_bands,)
        What may be, percent of the fundamental.
    name : str
        The row of the budget that it makes.

    Returns
    -------
    Residual
        What is not clearly above the floor is "less than".
    """
    percent, below = mark_floor(found.percent, found.below_percent, floor)
    whole = float(np.sqrt(np.mean(np.square(floor))))
    voice, voice_below = (
        np.array([math.nan if one is None else one])
        for one in (found.voice_percent, found.voice_below_percent)
    )
    voice, voice_below = mark_floor(voice, voice_below, np.array([whole]))
    held = dataclasses.replace(
        found,
        percent=percent,
        below_percent=below,
        voice_percent=none_if_nan(voice[0]),
        voice_below_percent=none_if_nan(voice_below[0]),
        crest_db=np.where(np.isnan(percent), np.nan, found.crest_db),
    )
    if held.voice_percent is None:
        held = dataclasses.replace(held, voice_uncertainty_percent=None, voice_db=None, budget={})
    rows = merge_row(held.band_budget, CurveBudgetRow(name=name, half_width=floor))
    half_width = np.where(np.isnan(percent), np.nan, combine_curve_rows(rows))
    held = dataclasses.replace(held, band_budget=rows, uncertainty_percent=half_width)
    return add_row(held, "voice_percent", BudgetRow(name=name, half_width=whole))
