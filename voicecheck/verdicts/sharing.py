"""What of a calibration cancels between two runs, and what does not."""

from __future__ import annotations

import numpy as np

from voicecheck.budgets import COVERAGE_95, student_95
from voicecheck.records import Conditions, Response, Run
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
    left = _name_unshared(this, that)
    if is_shape:
        left.discard("calibration")
    return tuple(row for row in response.budget if row.name in left)


def _name_unshared(this: Conditions, that: Conditions) -> set[str]:
    if this.calibration == that.calibration:
        return set()
    left = set(SHARED)
    if this.bench and (this.bench, this.microphone) == (that.bench, that.microphone):
        left.discard("microphone")
    return left


def find_level_variance(after: Run, before: Run, figure: str) -> float:
    """
    Variance of a band's level beyond the seats, in the difference of two runs, dB squared.

    Parameters
    ----------
    after, before : Run
    figure : str
        Key of the band, as "mid_db".

    Returns
    -------
    float
        What of the calibrations does not cancel, and the bench from day to day.
    """
    return (
        find_day_variance(after, before)
        + find_band_variance(after, before.pooled.conditions, figure)
        + find_band_variance(before, after.pooled.conditions, figure)
    )


def find_band_variance(run: Run, that: Conditions, figure: str) -> float:
    """
    Variance of a band's level that stays when it is held against one of other conditions.

    Parameters
    ----------
    run : Run
    that : Conditions
    figure : str
        Key of the band, as "mid_db".

    Returns
    -------
    float
        Of this run's calibration, dB squared.
    """
    left = _name_unshared(run.pooled.conditions, that)
    rows = run.pooled.bands.budget.get(figure, ())
    return sum((row.half_width / COVERAGE_95) ** 2 for row in rows if row.name in left)


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


def find_day_variance(after: Run, before: Run) -> float:
    """
    Variance that the bench's wandering adds to a difference of levels, dB squared.

    Parameters
    ----------
    after, before : Run
        On one bench whose scatter from day to day is known to both.

    Returns
    -------
    float
        That of the difference of two days, widened by Student's t at the fewer degrees of freedom
        over the normal one; 0 on one day, on two benches and where the scatter is not known.
    """
    this, that = after.pooled.conditions, before.pooled.conditions
    is_one_day = (
        not after.taken_utc or (after.taken_utc or "")[:10] == (before.taken_utc or "")[:10]
    )
    if is_one_day or not this.bench or this.bench != that.bench:
        return 0.0
    known = [(one.day_sd_db, one.day_dof) for one in (this, that)]
    stated = [(sd_db, dof) for sd_db, dof in known if sd_db is not None and dof is not None]
    if not stated:
        return 0.0
    wider = float(student_95(min(dof for _, dof in stated))) / COVERAGE_95
    return 2.0 * max(sd_db for sd_db, _ in stated) ** 2 * wider**2
