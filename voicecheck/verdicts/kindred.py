"""
A spread borrowed from kindred types, for baselines of few sets (empirical Bayes).

The variances of one quantity over the types of a book are taken as draws from a scaled inverse
chi-square distribution; its two parameters are matched to the mean and variance of their
logarithms (G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3(1), 2004,
section 6.2: general statistics). A type that is much more uneven than its kin is then
given limits that are too narrow: that is why borrowing is asked for and said in `method`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Baseline
from voicecheck.records.arrays import Array
from voicecheck.verdicts.limits import mean_variance

FEWEST_KINDRED = 3
MOST_DOF = 10.0
"""However alike the kin, no more than this much weight is borrowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Borrowed:
    """A variance and the degrees of freedom it counts for."""

    variance: float
    dof: float


NOTHING = Borrowed(variance=0.0, dof=0.0)


def borrow_spread(kindred: Sequence[Baseline]) -> Mapping[str, Borrowed]:
    """
    What the spreads of kindred types say about one more type.

    Parameters
    ----------
    kindred : sequence of Baseline
        Of the same path, without the type itself.

    Returns
    -------
    mapping of str to Borrowed
        By quantity, with "response" and "shape" for the curves; empty with fewer than three
        kindred types.
    """
    return borrow_from(_collect(kindred))


def borrow_from(spreads: Mapping[str, Sequence[tuple[float, float]]]) -> Mapping[str, Borrowed]:
    """The same from variances and degrees of freedom, a pair for each type, by quantity."""
    usable = {name: rows for name, rows in spreads.items() if len(rows) >= FEWEST_KINDRED}
    if not usable:
        return {}
    logs = {name: np.array([_log_variance(*row) for row in rows]) for name, rows in usable.items()}
    # One shape for all quantities: with a handful of types each alone is too uncertain.
    between = float(np.mean([_variance_between(logs[name], usable[name]) for name in usable]))
    return {name: _match_prior(values, between) for name, values in logs.items()}


def borrow_variance(rows: Sequence[tuple[float, float]]) -> Borrowed:
    """
    What the variances of one quantity over kindred types say about one more type.

    Parameters
    ----------
    rows : sequence of (variance, degrees of freedom)

    Returns
    -------
    Borrowed
        Nothing with fewer than three types.
    """
    known = [row for row in rows if row[0] > 0.0 and row[1] >= 1.0]
    if len(known) < FEWEST_KINDRED:
        return NOTHING
    logs = np.array([_log_variance(*row) for row in known])
    return _match_prior(logs, _variance_between(logs, known))


def join_variance(variance: Array | float, dof: float, borrowed: Borrowed) -> tuple[Array, float]:
    """A variance with what is borrowed for it, and their degrees of freedom together."""
    total = dof + borrowed.dof
    return np.asarray((dof * variance + borrowed.dof * borrowed.variance) / total), total


def _match_prior(logs: np.ndarray, between: float) -> Borrowed:
    dof = min(MOST_DOF, 2.0 * _inverse_trigamma(between * (1.0 + 1.0 / len(logs))))
    mean = float(np.mean(logs)) + _digamma(dof / 2.0) - math.log(dof / 2.0)
    return Borrowed(variance=math.exp(mean), dof=dof)


def _collect(kindred: Sequence[Baseline]) -> dict[str, list[tuple[float, float]]]:
    spreads: dict[str, list[tuple[float, float]]] = {}
    for baseline in kindred:
        dof = baseline.n - 1.0
        pairs = {
            "response": (mean_variance(baseline.sd_db**2), dof),
            "shape": (mean_variance(baseline.shape_sd_db**2), dof),
        }
        pairs |= {item.quantity: (item.sd**2, item.n - 1.0) for item in baseline.quantities}
        for name, (variance, own_dof) in pairs.items():
            if variance > 0.0 and own_dof >= 1.0:
                spreads.setdefault(name, []).append((variance, own_dof))
    return spreads


def _digamma(value: float) -> float:
    from scipy.special import digamma

    return float(digamma(value))


def _trigamma(value: float) -> float:
    from scipy.special import zeta

    return float(zeta(2.0, value))


def _log_variance(variance: float, dof: float) -> float:
    """Logarithm of a sample variance, freed of the bias of its chi-square."""
    return math.log(variance) - _digamma(dof / 2.0) + math.log(dof / 2.0)


def _variance_between(logs: np.ndarray, rows: Sequence[tuple[float, float]]) -> float:
    sampling = np.mean([_trigamma(dof / 2.0) for _, dof in rows])
    return max(float(np.var(logs, ddof=1) - sampling), 0.0)


def _inverse_trigamma(value: float) -> float:
    """Solve trigamma(x) = value; Newton's method as in Smyth, appendix."""
    from scipy.special import zeta

    if value <= _trigamma(MOST_DOF):
        return MOST_DOF
    found = 0.5 + 1.0 / value
    for _ in range(50):
        reached = _trigamma(found)
        step = reached * (1.0 - reached / value) / (-2.0 * float(zeta(3.0, found)))
        found += step
        if abs(step) < 1e-9 * found:
            break
    return found
