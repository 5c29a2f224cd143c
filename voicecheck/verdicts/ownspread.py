"""The part of a run's own uncertainty that a baseline's limits do not hold already."""

from __future__ import annotations

import math

import numpy as np

from voicecheck.budgets import COVERAGE_95
from voicecheck.records import Baseline, BaselineQuantity, Covariation, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts.quantities import Spread
from voicecheck.verdicts.readings import mean_level_db
from voicecheck.verdicts.sharing import sum_unshared
from voicecheck.verdicts.traits import read_traits

SAME_SPREAD_CHANCE = 0.05


def count_usable(run: Run) -> int:
    """Recordings of a run that have a response."""
    return sum(m.response is not None for m in run.recordings) or 1


def shape_of(response: Response) -> Array:
    """Levels of a curve with its own mean over 200-4000 Hz taken out."""
    return response.level_db - mean_level_db(response.frequency_hz, response.level_db)


def shape_spread_db(run: Run) -> Array:
    """
    Standard deviation of the curve's shape between the seats of a run.

    Returns
    -------
    ndarray, shape (n_points,)
        NaN with one recording.
    """
    responses = [m.response for m in run.recordings if m.response is not None]
    if len(responses) < 2:
        return np.full_like(run.seat_sd_db, np.nan)
    shapes = np.vstack([shape_of(response) for response in responses])
    spread = np.full(shapes.shape[1], np.nan)
    there = np.sum(np.isfinite(shapes), axis=0) > 1
    if np.any(there):
        spread[there] = np.nanstd(shapes[:, there], axis=0, ddof=1)
    return spread


def curve_guard_db(run: Run, baseline: Baseline, *, is_shape: bool = False) -> Array:
    """
    95 % half-width of a pooled curve beyond what the reference runs had as well.

    The limits come from reference runs pooled over seats, so they hold the seat spread and the
    recording noise of a run like those. Only what this run has more of is a guard band: fewer
    seats, a seat spread larger than chance allows, noise at weak points, another calibration.

    Parameters
    ----------
    run : Run
    baseline : Baseline
    is_shape : bool
        Of the shape: what of a calibration moves the whole curve is left out, and the seats'
        spread is that of the shape.

    Returns
    -------
    ndarray, shape (n_points,)
        dB.
    """
    response = run.pooled.response
    if response is None:
        return np.full(len(baseline.frequency_hz), np.nan)
    total = np.square(np.nan_to_num(_noise_of(run)))
    own, usual_conditions = run.pooled.conditions, baseline.conditions
    total = total + sum_unshared(response, own, usual_conditions, is_shape=is_shape)
    usual_sd = baseline.shape_seat_sd_db if is_shape else baseline.seat_sd_db
    if usual_sd is not None:
        own_sd = shape_spread_db(run) if is_shape else run.seat_sd_db
        usual = np.square(np.nan_to_num(usual_sd))
        ratio = _spread_ratio(own_sd, usual_sd, count_usable(run))
        excess = ratio * usual / count_usable(run) - usual / baseline.n_seats
        total = total + COVERAGE_95**2 * np.maximum(excess, 0.0)
    guard: Array = np.sqrt(total)
    return guard


def _noise_of(run: Run) -> Array:
    response = run.pooled.response
    if response is None:
        return np.zeros(0)
    part = response.noise_uncertainty_db
    return np.zeros_like(response.level_db) if part is None else part


def _spread_ratio(own_sd: Array, usual_sd: Array, n_seats: int) -> float:
    """Variance ratio over the curve if larger than chance allows, else 1."""
    both = np.isfinite(own_sd) & np.isfinite(usual_sd)
    if n_seats < 2 or not np.any(both) or not np.any(usual_sd[both] > 0.0):
        return 1.0
    ratio = float(np.mean(own_sd[both] ** 2) / np.mean(usual_sd[both] ** 2))
    return _if_beyond_chance(ratio, n_seats)


def _if_beyond_chance(ratio: float, n_seats: int) -> float:
    from scipy.stats import chi2

    # The references' spread is pooled over many seats: it counts as known (chi-square, not F).
    dof = n_seats - 1
    return ratio if ratio > float(chi2.isf(SAME_SPREAD_CHANCE, dof)) / dof else 1.0


def scalar_guard(spread: Spread, known: BaselineQuantity) -> float:
    """
    95 % half-width of a scalar beyond what the reference runs had as well.

    Parameters
    ----------
    spread : Spread
        Of the run, on the scale the quantity is judged on.
    known : BaselineQuantity

    Returns
    -------
    float
        On the same scale.
    """
    if known.seat_sd is None or spread.n == 0:
        return 0.0
    usual = known.seat_sd**2
    ratio = 1.0
    if spread.n > 1 and math.isfinite(spread.sd) and usual > 0.0:
        ratio = _if_beyond_chance(spread.sd**2 / usual, spread.n)
    excess = ratio * usual / spread.n - usual / known.n_seats
    return COVERAGE_95 * math.sqrt(max(excess, 0.0))


def own_level_guard_db(run: Run, baseline: Baseline, known: Covariation) -> float:
    """
    95 % half-width of the own level beyond what the reference runs had as well.

    Parameters
    ----------
    run : Run
        With a response.
    baseline : Baseline
    known : Covariation
        Of the baseline.

    Returns
    -------
    float
        dB: fewer or more uneven seats, and the mean of what of a calibration is not shared.
    """
    response = run.pooled.response
    if response is None:
        return math.nan
    shared = sum_unshared(response, run.pooled.conditions, baseline.conditions)
    total = float(np.mean(shared))
    if known.seat_sd_db is not None:
        values = spread_own_level(run, known.weights, known.noise_from)
        usual, n = known.seat_sd_db**2, max(len(values), 1)
        ratio = 1.0
        if len(values) > 1 and usual > 0.0:
            ratio = _if_beyond_chance(float(np.var(values, ddof=1)) / usual, len(values))
        excess = ratio * usual / n - usual / baseline.n_seats
        total += COVERAGE_95**2 * max(excess, 0.0)
    return math.sqrt(total)


def spread_own_level(run: Run, weights: Array, noise_from: str) -> Array:
    """
    Weighted sum of the traits in each recording of a run.

    Returns
    -------
    ndarray, shape (n_seats,)
        dB; without the recordings that lack a trait that counts.
    """
    counts = weights != 0.0
    seats = [read_traits(one, noise_from) for one in run.recordings if one.response is not None]
    values: Array = np.array([float(weights[counts] @ one[counts]) for one in seats])
    return np.asarray(values[np.isfinite(values)])
