"""
Harmonics and THD from the sweep's kernels.

Powers are found with the noise's own share taken off; what is left under the noise is reported
as "less than", never as a number.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from voicecheck.budgets import add_curve_row
from voicecheck.records import Calibration, CurveBudgetRow, Distortion, Recipe
from voicecheck.records.arrays import Array
from voicecheck.records.signals import CalibrationCurve
from voicecheck.response import (
    Kernels,
    NoiseDensity,
    SweepSpectra,
    compute_transfer,
    find_share,
    read_column_db,
)

ORDERS = (2, 3, 4, 5)
HIGHEST_SHARE = 0.45
"""Of the rate: harmonics above it are left out."""
THD_FLOOR = 0.0001
"""Relative error of a harmonic's power that the arithmetic itself may leave."""
SOURCE_RATIO = 2.0
"""How much more than the source's own a distortion is, for it to be stated (PROP)."""
DETECTED = 4.6
"""Power over the noise's mean from which a harmonic counts: noise alone passes it once in 100."""
UPPER_95 = 3.0
"""Power of pure noise stays below three times its mean in 95 of 100."""
STANDARD_LADDER_HZ = (315.0, 500.0, 1000.0)
"""Frequencies at which handset distortion is usually stated (GSM 03.50 and others)."""


def compute_distortion(
    kernels: Kernels,
    spectra: SweepSpectra,
    recipe: Recipe,
    *,
    frequency_hz: Array,
    fundamental: Array,
    noise: NoiseDensity,
    calibration: Calibration | None = None,
) -> Distortion:
    """
    Harmonics against the fundamental's frequency.

    Parameters
    ----------
    kernels : Kernels
    spectra : SweepSpectra
    recipe : Recipe
    frequency_hz : ndarray, shape (n_points,)
        Of the fundamental.
    fundamental : ndarray, shape (n_points,)
        Magnitude of the linear transfer function there.
    noise : NoiseDensity
    calibration : Calibration, optional
        What the source distorts itself is taken off, and what cannot be is a floor; each harmonic
        is corrected for the input's microphone at its own frequency.

    Returns
    -------
    Distortion
        Orders 2 to 5 as they stand at the output; THD is the root sum square of those over the
        fundamental. An order beyond the recording's band is left out. What is not clearly above
        the source's own is "less than".
    """
    power, own, bias, left = (np.full((len(ORDERS), len(frequency_hz)), np.nan) for _ in range(4))
    curve = calibration.curve if calibration else None
    source = calibration.source if calibration else None
    for row, order in enumerate(ORDERS):
        reached = order * frequency_hz <= HIGHEST_SHARE * spectra.rate_hz
        transfer = compute_transfer(
            kernels, spectra, recipe, frequency_hz[reached], noise, order=order
        )
        heard_db = read_column_db(curve, "input_db", order * frequency_hz[reached])
        heard_db -= read_column_db(curve, "input_db", frequency_hz[reached])
        scale = 10.0 ** (heard_db / 20.0) / fundamental[reached]
        values, variance = transfer.values, transfer.variance
        if source is not None:
            share = find_share(
                source, kernels, spectra, recipe, frequency_hz=frequency_hz[reached],
                fundamental=fundamental[reached], noise=noise, order=order,
            )  # fmt: skip
            values, variance = values - share.values, variance + share.variance
            left[row, reached] = share.left * scale
        power[row, reached] = np.square(np.abs(values) * scale)
        own[row, reached] = variance * np.square(scale)
        # A relative error of the amplitude counts twice in the power.
        bias[row, reached] = power[row, reached] * 2.0 * transfer.bias_db * math.log(10.0) / 20.0
    harmonic_db, below_db = _report_power_db(power, own)
    thd, thd_below, uncertainty = combine_thd(power, own, bias)
    found = Distortion(
        frequency_hz=frequency_hz,
        thd_percent=thd,
        thd_uncertainty_percent=uncertainty,
        harmonic_order=ORDERS,
        harmonic_db=harmonic_db,
        thd_below_percent=thd_below,
        harmonic_below_db=below_db,
        budget=(CurveBudgetRow(name="noise", half_width=uncertainty),),
    )
    if source is not None:
        found = _hold_against_source(found, left)
    return found if curve is None else _add_microphone(found, power, curve)


def _hold_against_source(found: Distortion, left: Array) -> Distortion:
    """What the source may have added still, as a floor and as a row; `left` re the fundamental."""
    harmonic_db, below_db = _mark_floor_db(found.harmonic_db, found.harmonic_below_db, left)
    floor = 100.0 * np.sqrt(np.nansum(np.square(left), axis=0))
    thd, thd_below = mark_floor(found.thd_percent, found.thd_below_percent, floor)
    stated = dataclasses.replace(
        found,
        harmonic_db=harmonic_db,
        harmonic_below_db=below_db,
        thd_percent=thd,
        thd_below_percent=thd_below,
    )
    row = CurveBudgetRow(name="bench", half_width=np.where(np.isnan(thd), np.nan, floor))
    return add_curve_row(stated, "thd_percent", row)


def _add_microphone(found: Distortion, power: Array, curve: CalibrationCurve) -> Distortion:
    """
    What the input's microphone may do to harmonics that it reads at their own frequencies.

    All orders are taken to err alike (an upper limit): each by its own half-width and that at the
    fundamental.
    """
    here_db = read_column_db(curve, "input_off_db", found.frequency_hz)
    off_db = np.array(
        [
            np.hypot(read_column_db(curve, "input_off_db", order * found.frequency_hz), here_db)
            for order in ORDERS
        ]
    )
    if not np.any(off_db):
        return found
    share = np.nansum(power * off_db, axis=0) / np.maximum(np.nansum(power, axis=0), 1e-300)
    half_width = found.thd_percent * (10.0 ** (share / 20.0) - 1.0)
    return add_curve_row(
        found, "thd_percent", CurveBudgetRow(name="microphone", half_width=half_width)
    )


def mark_floor(percent: Array, below: Array, floor: Array) -> tuple[Array, Array]:
    """
    Distortion that is not clearly more than the source may have added: "less than" both.

    Parameters
    ----------
    percent, below : ndarray, shape (n,)
        As measured, and the upper limit where it is withheld (NaN elsewhere).
    floor : ndarray, shape (n,)
        What the source may have added, in percent.

    Returns
    -------
    percent, below : ndarray, shape (n,)
        Of something found to be p with up to b of the source's in it the set's own lies within
        p - b and p + b; from p = `SOURCE_RATIO` b on that is stated as an interval.
    """
    is_hidden = percent < SOURCE_RATIO * floor
    limit = np.where(is_hidden, percent + floor, below + floor)
    return np.where(is_hidden, np.nan, percent), limit


def _mark_floor_db(level_db: Array, below_db: Array, left: Array) -> tuple[Array, Array]:
    """The same for single harmonics in dB; `left` is an amplitude re the fundamental."""
    share = 100.0 * np.nan_to_num(left)
    percent, below = mark_floor(
        100.0 * 10.0 ** (level_db / 20.0), 100.0 * 10.0 ** (below_db / 20.0), share
    )
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(percent / 100.0), 20.0 * np.log10(below / 100.0)


def _report_power_db(power: Array, noise: Array) -> tuple[Array, Array]:
    """Levels in dB of powers above the noise, and upper limits of those that are not."""
    clean = power - noise
    with np.errstate(divide="ignore", invalid="ignore"):
        level_db = np.where(power > DETECTED * noise, 10.0 * np.log10(clean), np.nan)
        limit_db = 10.0 * np.log10(np.maximum(clean, 0.0) + UPPER_95 * noise)
    return level_db, np.where(np.isnan(level_db), limit_db, np.nan)


def combine_thd(power: Array, noise: Array, bias: Array) -> tuple[Array, Array, Array]:
    """
    THD in percent, its upper limit where it is under the noise, and its 95 % half-width.

    Parameters
    ----------
    power, noise, bias : ndarray, shape (n_orders, n)
        Re the fundamental's power.

    Returns
    -------
    percent, below_percent, half_width_percent : ndarray, shape (n,)

    Notes
    -----
    A harmonic of power P found in noise of mean square v has an estimate of variance
    2 P v + v^2; `bias` is what the window may have taken from each power.
    """
    clean = np.maximum(power - noise, 0.0)
    total = np.nansum(power - noise, axis=0)
    spread = np.sqrt(np.nansum(2.0 * clean * noise + noise**2, axis=0))
    systematic = np.nansum(np.abs(bias), axis=0) + THD_FLOOR * np.abs(total)
    detected = total > 2.6 * spread
    with np.errstate(invalid="ignore", divide="ignore"):
        thd = np.where(detected, 100.0 * np.sqrt(np.maximum(total, 0.0)), np.nan)
        below = 100.0 * np.sqrt(np.maximum(total, 0.0) + 2.0 * spread)
        half_width = 50.0 / np.sqrt(np.abs(total)) * np.hypot(1.96 * spread, 1.2 * systematic)
    return (
        thd,
        np.where(detected, np.nan, below),
        np.where(detected, half_width, np.nan),
    )
