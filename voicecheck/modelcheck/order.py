"""The repeats in order: how far the level moved from sweep to sweep, and how."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.ranks import find_median, find_medians
from voicecheck.records.arrays import Array
from voicecheck.response import (
    Kernels,
    NoiseDensity,
    SweepSpectra,
    estimate_variance,
    evaluate_kernel,
)
from voicecheck.units import db_from_ratio

POINTS_HZ = 200.0 * 2.0 ** (np.arange(27) / 6.0)
"""Sixths of an octave: the shortest windows of two neighbours hardly overlap."""
REACH = 2
"""Points to either side that a change of level is averaged over."""
SEEN = 3.0
"""Standard deviations from which a change is no longer noise: in 27 points once in 15 takes."""
HIGH_HZ = 2800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepOrder:
    """
    What the sweeps differ by.

    `moved_db`, shape (n_points,) at `POINTS_HZ`, is how far the sweep that is furthest off
    stands from their mean; 0 where that is noise. `gains_db`, shape (n_sweeps,), are the
    sweeps' levels over the band about their mean, `sd_db` the standard deviation of one by
    noise. `first_high_db` is how much more the first sweep stands out in the highs.
    """

    moved_db: Array
    gains_db: Array
    sd_db: float
    first_high_db: float

    @property
    def drift_db(self) -> float:
        """Level of the last sweep less that of the first."""
        return float(self.gains_db[-1] - self.gains_db[0])

    @property
    def drift_uncertainty_db(self) -> float:
        """Half-width of a 95 % interval for it."""
        return 1.96 * float(np.sqrt(2.0)) * self.sd_db


def compare_order(
    kernels: Kernels, spectra: SweepSpectra, noise: NoiseDensity
) -> SweepOrder | None:
    """
    Compare the sweeps with their mean, point by point.

    Parameters
    ----------
    kernels : Kernels
    spectra : SweepSpectra
    noise : NoiseDensity
        Of the silence: the points weigh by it.

    Returns
    -------
    SweepOrder or None
        `None` with a single sweep, or where nothing was heard.
    """
    if len(kernels.repeats) < 2:
        return None
    each = evaluate_kernel(kernels.repeats, kernels.repeats_rate_hz, POINTS_HZ)
    mean = np.abs(np.mean(each, axis=0))
    if not np.all(mean > 0.0):
        return None
    moved_db = 20.0 * np.log10(np.maximum(np.abs(each) / mean, 1e-6))
    relative = estimate_variance(POINTS_HZ, noise, spectra) / mean**2
    # Points far above the noise weigh alike: what moves there is no noise.
    weight = 1.0 / (relative + find_median(relative) + 1e-12)
    smooth_db = np.array([_smooth(row, weight) for row in moved_db])
    rest_db = moved_db - smooth_db
    spread_db = np.sqrt(np.mean(weight * rest_db**2, axis=0) / weight)
    common_db = float(np.sqrt(np.mean(weight * rest_db**2) / np.mean(weight)))
    seen = np.max(np.abs(smooth_db), axis=0)
    noise_db = np.maximum(spread_db, common_db) / np.sqrt(2 * REACH + 1)
    gains_db = moved_db @ weight / np.sum(weight)
    high = POINTS_HZ > HIGH_HZ
    return SweepOrder(
        moved_db=np.where(seen > SEEN * noise_db, seen, 0.0),
        gains_db=gains_db,
        sd_db=common_db / float(np.sqrt(len(POINTS_HZ))),
        first_high_db=float(np.mean(moved_db[0, high]) - find_median(moved_db[0, ~high])),
    )


def _smooth(values: Array, weight: Array) -> Array:
    """Weighted mean over the neighbours."""
    window = np.ones(2 * REACH + 1)
    total = np.convolve(values * weight, window, mode="same")
    return np.asarray(total / np.convolve(weight, window, mode="same"))


def extend_reach(used: Sequence[int], n_sweeps: int) -> float:
    """
    How much further than the sweeps that are used all of them may reach, a steady drift given.

    Examples
    --------
    >>> extend_reach([0, 1, 2], 3), extend_reach([0, 1], 3), extend_reach([1], 3)
    (1.0, 3.0, 1.0)
    """
    middle = sum(used) / len(used)
    reach = max(abs(index - middle) for index in used)
    return max(middle, n_sweeps - 1 - middle) / reach if reach > 0.0 else 1.0


def measure_set_aside_db(spectra: SweepSpectra, used: Sequence[int]) -> float:
    """
    How far the sweeps that are set aside lie from those that are used.

    Parameters
    ----------
    spectra : SweepSpectra
        Of all sweeps.
    used : sequence of int

    Returns
    -------
    float
        dB, of the one that is furthest off; 0 where all are used. The median over the bands: what
        a sweep was set aside for, a cut or a burst, is in few of them, and a delay in none.
    """
    others = [index for index in range(len(spectra.values)) if index not in used]
    if not others:
        return 0.0
    bins_per_hz = spectra.n_fft / spectra.rate_hz
    half_band = 2.0 ** (1.0 / 12.0)
    edges = np.rint(np.outer(POINTS_HZ, (1.0 / half_band, half_band)) * bins_per_hz).astype(int)
    power = np.array(
        [np.sum(np.abs(spectra.values[:, first:last]) ** 2, axis=1) for first, last in edges]
    )
    mean = np.mean(power[:, list(used)], axis=1, keepdims=True)
    apart_db = 10.0 * np.log10((power[:, others] + 1e-30) / (mean + 1e-30))
    return float(np.max(np.abs(find_medians(apart_db.T))))


def spread_over(moved_db: Array, frequency_hz: Array) -> Array:
    """
    Movement at any frequencies.

    Parameters
    ----------
    moved_db : ndarray, shape (27,)
        At `POINTS_HZ`.
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)

    Examples
    --------
    >>> float(spread_over(np.full(27, 0.5), np.array([1000.0]))[0])
    0.5
    """
    return np.asarray(np.interp(np.log(frequency_hz), np.log(POINTS_HZ), moved_db))


def compare_marks_db(early: Array, late: Array, idle_power: float) -> float | None:
    """
    Level of the closing mark less that of the opening one.

    Parameters
    ----------
    early, late : ndarray, shape (n,)
        The recorded marks.
    idle_power : float
        Mean square of the noise in them.

    Returns
    -------
    float or None
        dB; `None` where one is not well above the noise.

    Examples
    --------
    >>> round(compare_marks_db(np.ones(4), 0.5 * np.ones(4), 0.0), 2)
    -6.02
    """
    powers = [float(np.mean(mark**2)) - idle_power for mark in (early, late)]
    if min(powers) < 10.0 * idle_power or min(powers) <= 0.0:
        return None
    return db_from_ratio(float(np.sqrt(powers[1] / powers[0])))
