"""How many standard deviations a limit stands from the mean, and how sure a spread is."""

from __future__ import annotations

import math

import numpy as np

from voicecheck.records.arrays import Array

ERROR_RATE = 0.05
"""Share of healthy sets that a whole comparison may call outside."""

FAMILY_SHARE = {
    "curve": 0.35, "shape": 0.15, "level": 0.20, "distortion": 0.12, "noise": 0.12,
    "linearity": 0.06,
}  # fmt: skip
EFFECTIVE_COUNT = {
    "curve": 8.0, "shape": 12.0, "level": 3.0, "distortion": 4.0, "noise": 1.0, "linearity": 1.0,
}  # fmt: skip


def limit_factor(family: str, dof: float, *, n_paths: int = 1, is_two_sided: bool = True) -> float:
    """
    Distance of a limit from the mean, in standard deviations of one more healthy set.

    Parameters
    ----------
    family : str
        Group of quantities that shares its part of the error rate.
    dof : float
        Degrees of freedom behind the standard deviation.
    n_paths : int
        Paths compared together; each gets an equal part.
    is_two_sided : bool

    Returns
    -------
    float
        No unit.
    """
    from scipy.stats import t as student

    tail = ERROR_RATE * FAMILY_SHARE[family] / EFFECTIVE_COUNT[family] / n_paths
    return float(student.isf(tail / 2.0 if is_two_sided else tail, dof))


def shrink_spread(spread_db: Array, dof: float, *, prior_dof: float) -> Array:
    """
    Spread of each point of a curve drawn towards that of the whole curve.

    Parameters
    ----------
    spread_db : ndarray, shape (n_points,)
        Standard deviations, NaN where withheld.
    dof : float
        Degrees of freedom of each.
    prior_dof : float
        Weight of the curve's mean variance, in degrees of freedom.

    Returns
    -------
    ndarray, shape (n_points,)
    """
    if not np.any(np.isfinite(spread_db)):
        return spread_db
    whole = float(np.nanmean(spread_db**2))
    drawn: Array = np.sqrt((dof * spread_db**2 + prior_dof * whole) / (dof + prior_dof))
    return drawn


def prediction_factor(n: int) -> float:
    """
    Standard deviation of (one more set - mean of n), in standard deviations of a set.

    Examples
    --------
    >>> round(prediction_factor(8), 4)
    1.0607
    """
    return math.sqrt(1.0 + 1.0 / n)
