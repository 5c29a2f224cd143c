"""
How the traits of sets vary together, pooled over a type and its kin.

Two or eight sets hardly tell how noise and distortion go with level; fifty sets of kindred types
do. The scatter of all of them is drawn towards a smooth prior without any such ties: the level's
variance as found, that of the curve's waves falling with the square of their degree, distortion and
noise each on its own. The prior counts for `PRIOR_SETS` degrees of freedom (posterior mean of an
inverse Wishart prior, general statistics). What it is used for is the own level: of all weighted
sums of traits that move by 1 dB when the level alone does, the one that spreads least. Its spread
is measured anew, by leaving each set out, so a covariance that is wrong costs power and no error
rate.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Baseline, Covariation, Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts.kindred import NOTHING, Borrowed, borrow_variance, join_variance
from voicecheck.verdicts.limits import ERROR_RATE, own_level_share, prediction_factor
from voicecheck.verdicts.ownspread import spread_own_level
from voicecheck.verdicts.poolparts import mean_where_half
from voicecheck.verdicts.traits import LEVEL, SHAPE, TRAITS, choose_noise, read_traits

PRIOR_SETS = 15.0
"""Weight of the smooth prior in degrees of freedom: best for the worst population at n = 8."""
LOSS_PART = 6.0 / 7.0
"""Of the own level's errors, those of its lower limit: sets wear down, they seldom gain."""
CAP = 3.0
"""Deviations of other traits beyond so many spreads are faults of their own, not the level's."""
LEAST_VARIANCE = 1e-3
LEAST_SD_DB = 0.3
"""Smallest spread of an own level that is believed (a choice, not a source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kin:
    """Traits of kindred types: one array of deviations, shape (n_sets, n_traits), for each."""

    deviations: tuple[Array, ...] = ()

    @property
    def dof(self) -> float:
        """Degrees of freedom of all types together."""
        return float(sum(len(one) - 1 for one in self.deviations))

    def borrow(self, weights: Array) -> Borrowed:
        """What the kin say of the variance of a weighted sum of traits."""
        rows = [(float(np.sum((one @ weights) ** 2)), len(one) - 1.0) for one in self.deviations]
        return borrow_variance([(total / dof, dof) for total, dof in rows])

    def borrow_shape(self) -> Borrowed:
        """The same for the sum over the waves of a curve."""
        rows = [(float(np.sum(one[:, SHAPE] ** 2)), len(one) - 1.0) for one in self.deviations]
        return borrow_variance([(total / dof, dof) for total, dof in rows])


def gather_kin(kindred: Sequence[Baseline], used: Array) -> Kin:
    """
    Traits of kindred types that have all the traits of a type.

    Parameters
    ----------
    kindred : sequence of Baseline
    used : ndarray of bool, shape (n_traits,)

    Returns
    -------
    Kin
    """
    known = [one.covariation for one in kindred if one.covariation is not None]
    parts = [one.deviations[:, used] for one in known if one.traits == TRAITS]
    return Kin(deviations=tuple(one for one in parts if len(one) > 1 and np.all(np.isfinite(one))))


def pool_covariance(own: Array, kin: Kin) -> Array:
    """
    Covariance of the traits of one more set, up to a scale.

    Parameters
    ----------
    own : ndarray, shape (n_sets, n_traits)
        Of the sets of the type; their mean is taken out. The first five are the curve's.
    kin : Kin

    Returns
    -------
    ndarray, shape (n_traits, n_traits)
        dB squared, positive definite.
    """
    scatter, dof = _gather_scatter(own, kin)
    return _shrink(scatter, dof)


def _gather_scatter(own: Array, kin: Kin) -> tuple[Array, float]:
    centred = own - np.mean(own, axis=0)
    scatter = np.asarray(centred.T @ centred)
    for one in kin.deviations:
        scatter = scatter + one.T @ one
    return scatter, len(own) - 1 + kin.dof


def _shrink(scatter: Array, dof: float) -> Array:
    found = np.diag(scatter) / max(dof, 1.0)
    prior = np.array(found)
    falling = 1.0 / np.arange(1, SHAPE.stop) ** 2
    prior[SHAPE] = np.sum(found[SHAPE]) * falling / np.sum(falling)
    smooth = np.diag(prior + LEAST_VARIANCE)
    return np.asarray((PRIOR_SETS * smooth + scatter) / (PRIOR_SETS + dof))


def borrow_own_level(own: Array, kin: Kin) -> Borrowed:
    """
    What kindred types say of the own level's variance.

    Each with the weights that the others and the type itself give: a type that had a part in the
    weights would seem to spread less than it does.
    """
    scatter, dof = _gather_scatter(own, kin)
    rows = []
    for one in kin.deviations:
        own_dof = len(one) - 1.0
        weights = weigh_own_level(_shrink(scatter - one.T @ one, dof - own_dof))
        rows.append((float(np.sum((one @ weights) ** 2)) / own_dof, own_dof))
    return borrow_variance(rows)


def weigh_own_level(covariance: Array) -> Array:
    """
    Weights of the sum of traits that spreads least and moves 1 dB for 1 dB of level.

    Parameters
    ----------
    covariance : ndarray, shape (n_traits, n_traits)

    Returns
    -------
    ndarray, shape (n_traits,)
    """
    level = np.zeros(len(covariance))
    level[LEVEL] = 1.0
    weights = np.linalg.solve(covariance, level)
    return np.asarray(weights / weights[LEVEL])


def leave_out(own: Array, kin: Kin) -> float:
    """Variance of the own level of a set that had no part in the weights."""
    squares = []
    for index in range(len(own)):
        others = np.delete(own, index, axis=0)
        weights = weigh_own_level(pool_covariance(others, kin))
        away = float(weights @ (own[index] - np.mean(others, axis=0)))
        squares.append((away / prediction_factor(len(others))) ** 2)
    return float(np.mean(squares))


def read_sets(runs: Sequence[Run]) -> tuple[Array, str]:
    """Traits of reference runs, shape (n_sets, n_traits), and the figure behind the noise."""
    noise_from = choose_noise(runs)
    return np.vstack([read_traits(run.pooled, noise_from) for run in runs]), noise_from


def relate_traits(
    runs: Sequence[Run], kindred: Sequence[Baseline], *, curve_dof: float
) -> Covariation | None:
    """
    How the traits of a type's sets vary together, and the limits of the own level.

    Parameters
    ----------
    runs : sequence of Run
        One for each reference set, two or more.
    kindred : sequence of Baseline
        Of the same path, without the type itself.
    curve_dof : float
        Degrees of freedom behind the curve's spread, which the own level shares its errors with.

    Returns
    -------
    Covariation or None
        `None` where a set has no level.
    """
    sets, noise_from = read_sets(runs)
    used = np.all(np.isfinite(sets), axis=0)
    if not np.all(used[: SHAPE.stop]):
        return None
    found = relate_sets(sets, gather_kin(kindred, used), curve_dof=curve_dof)
    seats = [spread_own_level(run, found.weights, noise_from) for run in runs]
    known = [float(np.var(one, ddof=1)) for one in seats if len(one) > 1]
    seat_sd_db = math.sqrt(float(np.mean(known))) if known else None
    return dataclasses.replace(found, seat_sd_db=seat_sd_db, noise_from=noise_from)


def relate_sets(sets: Array, kin: Kin, *, curve_dof: float) -> Covariation:
    """
    The same from the traits alone.

    Parameters
    ----------
    sets : ndarray, shape (n_sets, n_traits)
        dB; traits that are NaN in any set do not count.
    kin : Kin
        With the traits that count.
    curve_dof : float

    Returns
    -------
    Covariation
        Nothing is said of seats.
    """
    used = np.all(np.isfinite(sets), axis=0)
    own, covariance = sets[:, used], pool_covariance(sets[:, used], kin)
    weights, caps = np.zeros(len(TRAITS)), np.full(len(TRAITS), np.nan)
    weights[used] = weigh_own_level(covariance)
    caps[used] = CAP * np.sqrt(np.diag(covariance))
    caps[LEVEL] = np.nan
    borrowed = borrow_own_level(own, kin)
    variance, dof = join_variance(leave_out(own, kin), len(own) - 1.0, borrowed)
    found = Covariation(
        traits=TRAITS, mean=mean_where_half(sets), deviations=sets - np.mean(sets, axis=0),
        weights=weights, caps=caps, sd_db=max(math.sqrt(float(variance)), LEAST_SD_DB),
        dof=dof, low_db=None, high_db=None, lent_dof=kin.dof if borrowed is not NOTHING else 0.0,
    )  # fmt: skip
    low_db, high_db = limit_own_level(found, curve_dof=curve_dof)
    return dataclasses.replace(found, low_db=low_db, high_db=high_db)


def limit_own_level(
    known: Covariation, *, curve_dof: float, n_paths: int = 1
) -> tuple[float | None, float | None]:
    """
    Limits of the own level: prediction limits for one more set, Student's t.

    Parameters
    ----------
    known : Covariation
        Its spread and the number of its sets count.
    curve_dof : float
        Degrees of freedom behind the curve's spread; with few of them there are no limits.
    n_paths : int
        Paths compared together.

    Returns
    -------
    low_db, high_db : float or None
        dB from the type's mean; `None` where there is no limit.
    """
    from scipy.special import stdtrit

    if own_level_share(curve_dof) == 0.0:
        return None, None
    tail = ERROR_RATE * own_level_share(curve_dof) / n_paths
    wide = known.sd_db * prediction_factor(len(known.deviations))
    low = -float(stdtrit(known.dof, tail * LOSS_PART))
    high = -float(stdtrit(known.dof, tail * (1.0 - LOSS_PART)))
    return -wide * low, wide * high


def find_own_level(traits: Array, known: Covariation) -> float:
    """
    Own level of one set: what its level departs by, its other traits allowed for.

    Parameters
    ----------
    traits : ndarray, shape (n_traits,)
        Of the set, as `read_traits` gives them.
    known : Covariation

    Returns
    -------
    float
        dB from the type's mean; NaN where a trait that counts is withheld.
    """
    counts = known.weights != 0.0
    caps = np.nan_to_num(known.caps[counts], nan=np.inf)
    away = np.clip((traits - known.mean)[counts], -caps, caps)
    return float(known.weights[counts] @ away)
