"""What of a calibration cancels between two runs, and what does not."""

from __future__ import annotations

import numpy as np

from voicecheck.records import Conditions, Response
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import CurveBudget

SHARED = ("calibration", "microphone", "bench")


def take_unshared(
    response: Response, this: Conditions, that: Conditions, *, is_shape: bool = False
) -> CurveBudget:
    """
    Rows of a curve's budget that stay when it is held against a curve of other conditions.

    Parameters
    ----------
    response : Response
        Of the run under `this`.
    this, that : Conditions
        Under one calibration all of it cancels. On one bench with one curve of its microphone that
        curve's error cancels even where the bench was calibrated anew.
    is_shape : bool
        Of the shape: the level at 1 kHz moves the whole curve, so it is left out.

    Returns
    -------
    tuple of CurveBudgetRow
        Empty where nothing stays, or nothing is known.
    """
    if this.calibration == that.calibration:
        return ()
    left = set(SHARED)
    if is_shape:
        left.discard("calibration")
    if this.bench and (this.bench, this.microphone) == (that.bench, that.microphone):
        left.discard("microphone")
    return tuple(row for row in response.budget if row.name in left)


def sum_unshared(
    response: Response, this: Conditions, that: Conditions, *, is_shape: bool = False
) -> Array:
    """
    Square of the half-width of those rows together; shape (n_points,), dB squared.

    A document from before budgets has the calibration as one number, which is a level's.
    """
    none = np.zeros_like(response.level_db)
    left = take_unshared(response, this, that, is_shape=is_shape)
    if is_shape:
        return sum((np.square(np.nan_to_num(row.half_width)) for row in left), none)
    whole = response.calibration_uncertainty_db
    if whole is None or this.calibration == that.calibration:
        return none
    kept = {row.name for row in left}
    gone = [row for row in response.budget if row.name in SHARED and row.name not in kept]
    away = sum((np.square(np.nan_to_num(row.half_width)) for row in gone), none)
    return np.asarray(np.maximum(np.square(np.nan_to_num(whole)) - away, 0.0))


def tell_unshared(response: Response, this: Conditions, that: Conditions) -> tuple[str, ...]:
    """What of the rows that stay rests on memory or on a proposal, in words."""
    names = {row.name for row in take_unshared(response, this, that)}
    return this.calibration_notes if "microphone" in names else ()
