"""
How many standard deviations a limit stands from the mean, and how sure a spread is.

The 5 in 100 of a whole comparison is shared out evenly over its paths and, within a path, over
families of quantities (`SHARE`). Inside a family the limits are simultaneous: the largest
|value - mean| / (s sqrt(1 + 1/n)) of the family stays below its factor with that probability.
Curve, shape and bands are one family, because they say much the same; `WEIGHT` lets the bands,
which are averages, judge a level and the shape a dip.

With few sets the spread of any one point is hardly known: the largest of 53 t values at 2 degrees
of freedom has no use as a limit. So each point's variance is drawn towards the mean variance of
the whole curve. The price is a little error where the spread differs strongly over the band; the
gain at n = 3 is a factor 6 instead of 50. Where most of the variance is common to all points (sets
that differ in level and hardly in shape) there is little to draw on, and the factors are larger:
they are tabled by that share. With enough degrees of freedom part of the curve's share goes to the
own level (`covariance.py`). The factors are in `verdict_factors.csv`, made by simulation;
single-quantity families use Student's t, which is exact for a normal spread.
"""

from __future__ import annotations

import csv
import math
from functools import cache
from importlib import resources

import numpy as np

from voicecheck.records.arrays import Array

ERROR_RATE = 0.05
"""Share of healthy sets that a whole comparison may call outside."""
SHARE = {
    "acoustic": 0.62, "distortion": 0.14, "noise": 0.15, "linearity": 0.03, "crackle": 0.03,
    "hum": 0.01, "steadiness": 0.01,
}  # fmt: skip
"""
Of a family of one quantity; the two of steadiness have as much each.

The factors of distortion were made for THD at four places and SINAD. Residual distortion beside
them calls 0.0068 to 0.0077 of healthy sets outside where 0.007 are promised (57 600 draws at 3, 8
and 20 sets, CALC): it goes along with them.
"""
OWN_LEVEL_SHARE = 0.35
OWN_LEVEL_DOF = (4.0, 8.0)
"""
Part of the acoustic share that goes to the own level, growing between these degrees of freedom.

With fewer its limits would be of no use, and the curve needs all of the share; growing slowly, no
limit widens when a set is added.
"""
FLOOR_DB = {
    "curve": 0.05, "shape": 0.05, "level": 0.05, "distortion": 0.5, "noise": 0.5,
    "linearity": 0.05, "crackle": 1.0, "hum": 2.0, "steadiness": 0.2,
}  # fmt: skip
"""
Smallest standard deviation between sets that is believed (a choice, not a source).

Sets that happen to agree, or a bench check that is the same each time, would else get limits
finer than a bench can be read again; the kurtosis of plain noise is 3.0 in every healthy set,
and one click from the shop must not make a fault; nor must hum that a cord laid otherwise changes.
"""
WEIGHT = {"level": 1.0, "curve": 1.25, "shape": 1.35}
CURVE_PRIOR_DOF = 12.0
DISTORTION_PRIOR_DOF = 8.0
BAND_VARIANCE = {"low_db": 0.87, "mid_db": 0.78, "high_db": 0.93, "at_1khz_db": 1.0}
"""Variance of a band's level as a share of that of a point, for half level and half curve."""
TABLED_PATHS = 4
LEVEL_SHARE_EDGES = (0.5, 0.85)
"""Edges of the ranges of the level's share in the variance that have a table each."""
USUAL_LEVEL_SHARE = 0.7


def own_level_share(dof: float) -> float:
    """
    Part of the errors of a path that the own level has.

    Parameters
    ----------
    dof : float
        Degrees of freedom behind the curve's spread.

    Examples
    --------
    >>> own_level_share(4.0), own_level_share(6.0), own_level_share(20.0)
    (0.0, 0.175, 0.35)
    """
    first, last = OWN_LEVEL_DOF
    return OWN_LEVEL_SHARE * min(max((dof - first) / (last - first), 0.0), 1.0)


def share_of(family: str, dof: float) -> float:
    """Part of the errors of a path that a family has, with so many degrees of freedom behind it."""
    return SHARE[family] - (own_level_share(dof) if family == "acoustic" else 0.0)


def limit_factor(
    family: str,
    dof: float,
    *,
    n_paths: int = 1,
    is_two_sided: bool = True,
    level_share: float = USUAL_LEVEL_SHARE,
) -> float:
    """
    Distance of a limit from the mean, in standard deviations of one more healthy set.

    Parameters
    ----------
    family : str
        "curve", "shape", "level" (simultaneous together), "distortion" (upper limits,
        simultaneous), "noise", "linearity", "crackle", "hum" or
        "steadiness" (one quantity each).
    dof : float
        Degrees of freedom behind the standard deviation, 1 or more.
    n_paths : int
        Paths compared together; each gets an equal part.
    is_two_sided : bool
        For the families of one quantity.
    level_share : float
        Part of the curves' variance that is common to all points, 0 to 1.

    Returns
    -------
    float
        No unit.

    Examples
    --------
    >>> limit_factor("curve", 2.0) > limit_factor("curve", 7.0) > limit_factor("curve", 19.0)
    True
    """
    if family in WEIGHT:
        return WEIGHT[family] * _tabled_factor(_acoustic_table(level_share), dof, n_paths)
    if family == "distortion":
        return _tabled_factor("distortion", dof, n_paths)
    from scipy.special import stdtrit

    tail = ERROR_RATE * SHARE[family] / n_paths
    return -float(stdtrit(dof, tail / 2.0 if is_two_sided else tail))


@cache
def _load_factors() -> dict[tuple[str, int], tuple[Array, Array]]:
    """Degrees of freedom and factors by table and number of paths."""
    source = resources.files("voicecheck") / "data" / "verdict_factors.csv"
    lines = source.read_text(encoding="utf-8").splitlines()
    found: dict[tuple[str, int], list[tuple[float, float]]] = {}
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        key = (row["table"], int(row["n_paths"]))
        found.setdefault(key, []).append((float(row["dof"]), float(row["factor"])))
    return {
        key: (np.array([dof for dof, _ in rows]), np.array([factor for _, factor in rows]))
        for key, rows in found.items()
    }


def _acoustic_table(level_share: float) -> str:
    return f"acoustic-{sum(level_share >= edge for edge in LEVEL_SHARE_EDGES)}"


def _tabled_factor(table: str, dof: float, n_paths: int) -> float:
    dofs, factors = _load_factors()[table, min(n_paths, TABLED_PATHS)]
    # A t quantile is close to a straight line in 1/dof, and so is its logarithm.
    at = 1.0 / max(dof, float(dofs[0]))
    return float(np.exp(np.interp(at, 1.0 / dofs[::-1], np.log(factors[::-1]))))


def draw_together(
    variance: Array,
    dof: Array | float,
    *,
    whole: Array | float,
    prior_dof: float,
    share: Array | float = 1.0,
) -> Array:
    """
    Variances of several quantities drawn towards that of their group.

    Parameters
    ----------
    variance : ndarray, shape (..., n_quantities)
        Each with `dof` degrees of freedom; NaN where withheld.
    dof : ndarray or float
    whole : ndarray, shape (..., 1), or float
        Variance of the group.
    prior_dof : float
        Weight of the group, in degrees of freedom.
    share : ndarray or float
        What is expected of each quantity, as a share of the group's variance.

    Returns
    -------
    ndarray, shape (..., n_quantities)
    """
    drawn: Array = (dof * variance + prior_dof * whole * np.asarray(share)) / (dof + prior_dof)
    return drawn


def mean_variance(variance: Array) -> float:
    """Mean of the variances that are there; NaN where none is."""
    return float(np.nanmean(variance)) if np.any(np.isfinite(variance)) else math.nan


def prediction_factor(n: int) -> float:
    """
    Standard deviation of (one more set - mean of n), in standard deviations of a set.

    Examples
    --------
    >>> round(prediction_factor(8), 4)
    1.0607
    """
    return math.sqrt(1.0 + 1.0 / n)
