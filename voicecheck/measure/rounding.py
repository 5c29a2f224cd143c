"""What the recorder's rounding adds to each interval, and takes from what lies below it."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from voicecheck.budgets import add_curve_row, add_row, combine_curve_rows, merge_row
from voicecheck.distortion import limit_residual, mark_floor
from voicecheck.inspection import FUNDAMENTAL_SHARE, HARMONIC_SHARE, Rounding
from voicecheck.records import (
    BudgetRow,
    CurveBudgetRow,
    Distortion,
    Linearity,
    Measurement,
    Noise,
    Response,
)
from voicecheck.records.arrays import Array

LEAST_DB = 0.0001
"""Rows below this are not written down: 16 bits at ordinary gain have none."""
UNRESOLVED = 0.1
"""
Share of the distortion by rounding that idle noise leaves, from which on it is not resolved.

That is noise of 0.34 of a step: it shows its own level to 1 dB.
"""
DB_PER_NEPER = 20.0 / math.log(10.0)


def add_rounding(
    found: Measurement, rounding: Rounding, amplitude: float, shift_db: float
) -> Measurement:
    """
    A measurement whose intervals hold what rounding does to it.

    Parameters
    ----------
    found : Measurement
    rounding : Rounding
    amplitude : float
        Of the sweep as played, full-scale units.
    shift_db : float
        What the calibration added to the response.

    Returns
    -------
    Measurement
        Distortion that is not clearly more than the rounding's is "less than"; noise that the
        steps do not resolve is withheld.
    """
    if rounding.step <= 0.0 or found.response is None:
        return found
    gain = 10.0 ** ((found.response.level_db - shift_db) / 20.0)
    bent_db = DB_PER_NEPER * rounding.bend(amplitude * gain, FUNDAMENTAL_SHARE)
    changes: dict[str, Any] = {"noise": _withhold_noise(found.noise, rounding)}
    if np.nanmax(bent_db, initial=0.0) >= LEAST_DB:
        changes["response"] = _widen_response(found.response, bent_db)
        row = BudgetRow(name="rounding", half_width=float(np.nanmax(bent_db)))
        for figure in ("low_db", "mid_db", "high_db", "at_1khz_db"):
            changes["bands"] = add_row(changes.get("bands", found.bands), figure, row)
        if found.distortion is not None:
            at_hz = found.distortion.frequency_hz
            heard = amplitude * np.interp(at_hz, found.response.frequency_hz, gain)
            changes["distortion"] = _limit_distortion(found.distortion, rounding, heard)
        if found.residual is not None:
            at_hz = found.residual.frequency_hz
            heard = amplitude * np.interp(at_hz, found.response.frequency_hz, gain)
            floor = 100.0 * rounding.leave(np.nan_to_num(heard, nan=math.inf))
            changes["residual"] = limit_residual(found.residual, floor, "rounding")
        changes["ladders"] = tuple(_limit_steps(one, rounding) for one in found.ladders)
        if found.linearity is not None:
            changes["linearity"] = _limit_steps(found.linearity, rounding)
    return found.replace(**changes)


def _widen_response(response: Response, bent_db: Array) -> Response:
    return add_curve_row(response, "level_db", CurveBudgetRow(name="rounding", half_width=bent_db))


def _limit_distortion(found: Distortion, rounding: Rounding, heard: Array) -> Distortion:
    floor = 100.0 * rounding.bend(heard, HARMONIC_SHARE)
    thd, below = mark_floor(found.thd_percent, found.thd_below_percent, floor)
    found = dataclasses.replace(found, thd_percent=thd, thd_below_percent=below)
    row = CurveBudgetRow(name="rounding", half_width=np.where(np.isnan(thd), np.nan, floor))
    return add_curve_row(found, "thd_percent", row)


def _limit_steps(found: Linearity, rounding: Rounding) -> Linearity:
    heard = 10.0 ** (found.output_db / 20.0)
    bent_db = DB_PER_NEPER * rounding.bend(heard, FUNDAMENTAL_SHARE)
    floor = 100.0 * rounding.bend(heard, HARMONIC_SHARE)
    thd, below = mark_floor(found.thd_percent, found.thd_below_percent, floor)
    output_rows = merge_row(
        found.step_budget["output_db"], CurveBudgetRow(name="rounding", half_width=bent_db)
    )
    thd_rows = merge_row(
        found.step_budget["thd_percent"], CurveBudgetRow(name="rounding", half_width=floor)
    )
    found = dataclasses.replace(
        found,
        thd_percent=thd,
        thd_below_percent=below,
        output_uncertainty_db=np.where(
            np.isnan(found.output_db), np.nan, combine_curve_rows(output_rows)
        ),
        thd_uncertainty_percent=np.where(np.isnan(thd), np.nan, combine_curve_rows(thd_rows)),
        step_budget={"output_db": output_rows, "thd_percent": thd_rows},
    )
    for figure, at_db in (("compression_db", found.input_db.max()), ("threshold_db", -20.0)):
        two = np.interp([0.0, at_db], found.input_db, np.nan_to_num(bent_db))
        row = BudgetRow(name="rounding", half_width=float(np.hypot(*two)))
        found = add_row(found, figure, row)
    return found


def _withhold_noise(found: Noise, rounding: Rounding) -> Noise:
    """Figures of the idle noise; none where it is too small to move from step to step."""
    return Noise() if rounding.smoothed > UNRESOLVED else found
