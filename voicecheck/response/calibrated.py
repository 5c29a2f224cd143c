"""What a calibration knows along the band, at the frequencies of a curve."""

from __future__ import annotations

from typing import Literal

import numpy as np

from voicecheck.budgets import merge_row, student_95
from voicecheck.records import BudgetRow, Calibration, CurveBudgetRow
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import Budget, CurveBudget
from voicecheck.records.signals import CalibrationCurve

Column = Literal["correction_db", "input_db", "input_off_db", "microphone_db", "bench_db"]


def read_column_db(curve: CalibrationCurve | None, column: Column, frequency_hz: Array) -> Array:
    """
    A column of a calibration's curve at some frequencies.

    Parameters
    ----------
    curve : CalibrationCurve or None
    column : str
    frequency_hz : ndarray, shape (n_points,)

    Returns
    -------
    ndarray, shape (n_points,)
        dB, straight lines on log-frequency; 0 without a curve, beyond its ends as there.
    """
    if curve is None:
        return np.zeros(frequency_hz.shape)
    values_db = np.array(getattr(curve, column))
    return np.asarray(np.interp(np.log(frequency_hz), np.log(curve.frequency_hz), values_db))


def list_shared_rows(calibration: Calibration | None, frequency_hz: Array) -> CurveBudget:
    """
    What a calibration adds to a curve: the same for every recording made under it.

    Parameters
    ----------
    calibration : Calibration or None
    frequency_hz : ndarray, shape (n_points,)

    Returns
    -------
    tuple of CurveBudgetRow
        "calibration" (the level at 1 kHz), and where it is known along the band "microphone" and
        "bench"; half-widths in dB. They are of Type B (JCGM 100:2008, 4.3), with many degrees of
        freedom, but the bench from day to day: that is its scatter, with those of its days.
    """
    if calibration is None:
        return ()
    level_db = np.full(frequency_hz.shape, calibration.uncertainty_db)
    rows: CurveBudget = (CurveBudgetRow(name="calibration", half_width=level_db),)
    curve = calibration.curve
    if curve is not None:
        off_db = read_column_db(curve, "microphone_db", frequency_hz)
        left_db = read_column_db(curve, "bench_db", frequency_hz)
        rows += (
            CurveBudgetRow(name="microphone", half_width=off_db),
            CurveBudgetRow(name="bench", half_width=left_db),
        )
    if calibration.day_sd_db is None or calibration.day_dof is None:
        return rows
    dof = np.full(frequency_hz.shape, calibration.day_dof)
    day = CurveBudgetRow(name="bench", half_width=student_95(dof) * calibration.day_sd_db, dof=dof)
    return merge_row(rows, day)


def weigh_shared_rows(
    calibration: Calibration | None, frequency_hz: Array, weight: Array
) -> Budget:
    """
    The same for one figure that moves with the points of a curve.

    Parameters
    ----------
    calibration : Calibration or None
    frequency_hz : ndarray, shape (n_points,)
    weight : ndarray, shape (n_points,)
        By how much it moves with each.

    Returns
    -------
    tuple of BudgetRow
        An error of a microphone's curve is smooth: neighbours err alike, and what errs alike adds
        up. So each row is the sum of the sizes, an upper limit.
    """
    return tuple(
        BudgetRow(
            name=row.name,
            half_width=float(np.abs(weight) @ row.half_width),
            dof=None if row.dof is None else float(np.min(row.dof)),
        )
        for row in list_shared_rows(calibration, frequency_hz)
    )
