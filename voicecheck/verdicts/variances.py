"""
Variances as sums of mean squares, with degrees of freedom and intervals.

Each part of the scatter, and each sum of parts, is a sum of the mean squares of a table with
weights. Its degrees of freedom are Satterthwaite's (JCGM 100:2008, G.4.1). An interval made of
those alone is too narrow where a mean square has few, and two days give one: the intervals are
those of modified large samples (Graybill and Wang 1980 for sums, Ting et al. 1990 for differences;
formulas MEM, their coverage is simulated in the tests).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

SIDE = 0.025
"""Chance beyond each end of a 95 % interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquare:
    """
    One row of an analysis of variance.

    Parameters
    ----------
    name : str
        Factor, "first:second" for the two together, or what varies within.
    value : float
        Squared unit of the results.
    dof : int
    """

    name: str
    value: float
    dof: int

    @property
    def sum_of_squares(self) -> float:
        """Squared unit of the results."""
        return self.value * self.dof


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceEstimate:
    """
    A variance with its 95 % interval.

    Parameters
    ----------
    variance, low, high : float
        Squared unit of the results, never below 0.
    dof : float
        Satterthwaite's; 0 of a part that came out negative and is given as 0.
    fewest_dof : int
        Of the mean squares it is made of: what it counts for beside other days.
    """

    variance: float
    low: float
    high: float
    dof: float
    fewest_dof: int

    @property
    def sd(self) -> float:
        """Standard deviation, unit of the results."""
        return float(np.sqrt(self.variance))

    @property
    def sd_interval(self) -> tuple[float, float]:
        """Ends of its 95 % interval, unit of the results."""
        return float(np.sqrt(self.low)), float(np.sqrt(self.high))


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceTable:
    """
    An analysis of variance, and what each part of the scatter is made of.

    Parameters
    ----------
    mean : float
        Of all results; of the cells where their numbers differ.
    n_results : int
    rows : tuple of MeanSquare
        That within the cells last.
    weights : mapping of str to tuple of float
        By part ("person", "day", "person:day", "seat"): its variance as a sum of the rows.
    """

    mean: float
    n_results: int
    rows: tuple[MeanSquare, ...]
    weights: Mapping[str, tuple[float, ...]]

    def estimate(self, *parts: str) -> VarianceEstimate:
        """
        Variance of a result when these parts of the scatter are free.

        Parameters
        ----------
        *parts : str
            Keys of `weights`; all of them if none is named, the reproducibility variance.

        Returns
        -------
        VarianceEstimate
            At least the repeatability variance where that is in it: a sum is no less than its
            part (ISO 5725-2:1994, 7.4.5.2: a negative between-laboratory variance is set to 0).

        Raises
        ------
        InputError
            A part that is not in the table.
        """
        unknown = [part for part in parts if part not in self.weights]
        if unknown:
            known = ", ".join(self.weights)
            raise InputError(f"no part {unknown[0]!r} in this analysis; it has {known}")
        chosen = parts or tuple(self.weights)
        weights = np.sum([self.weights[part] for part in chosen], axis=0)
        return _estimate(self.rows, weights, least=self._least(chosen))

    def _least(self, parts: Sequence[str]) -> float:
        return self.rows[-1].value if self.rows[-1].name in parts else 0.0

    @property
    def repeatability(self) -> VarianceEstimate:
        """Of results that follow each other with nothing changed (s_r squared)."""
        return self.estimate(self.rows[-1].name)

    @property
    def reproducibility(self) -> VarianceEstimate:
        """Of single results with everything changed that the table knows (s_R squared)."""
        return self.estimate()


def _estimate(rows: Sequence[MeanSquare], weights: Array, *, least: float) -> VarianceEstimate:
    # Weights that cancel but for rounding are none.
    used = np.abs(weights) > 1e-12
    terms = (weights * [row.value for row in rows])[used]
    dofs = np.array([row.dof for row in rows], dtype=float)[used]
    sum_of_terms = float(np.sum(terms))
    squares = float(np.sum(np.square(terms) / dofs))
    dof = 0.0
    if least > max(sum_of_terms, 0.0):
        dof = float(rows[-1].dof)
    elif sum_of_terms > 0.0:
        dof = sum_of_terms**2 / squares
    low, high = _bound(terms, dofs)
    return VarianceEstimate(
        variance=max(sum_of_terms, least),
        low=min(max(low, 0.0), max(sum_of_terms, least)),
        high=max(high, least),
        dof=dof,
        fewest_dof=int(dofs.min()),
    )


def _bound(terms: Array, dofs: Array) -> tuple[float, float]:
    """Ends of the interval of a sum of mean squares, some with negative weights."""
    from scipy.special import chdtri, fdtri

    # Mean squares over their expectations at the two ends of chance.
    shrink = 1.0 - dofs / chdtri(dofs, SIDE)
    stretch = dofs / chdtri(dofs, 1.0 - SIDE) - 1.0
    plus, minus = terms >= 0.0, terms < 0.0
    square = np.square(terms)
    below = np.sum(square * np.square(np.where(plus, shrink, stretch)))
    above = np.sum(square * np.square(np.where(plus, stretch, shrink)))
    for q in np.flatnonzero(plus):
        for r in np.flatnonzero(minus):
            product = terms[q] * -terms[r]
            ratio = fdtri(dofs[q], dofs[r], 1.0 - SIDE)
            below += product * _cross(ratio, shrink[q], stretch[r])
            ratio = fdtri(dofs[q], dofs[r], SIDE)
            above += product * _cross(ratio, stretch[q], shrink[r])
    total = float(np.sum(terms))
    return total - float(np.sqrt(max(below, 0.0))), total + float(np.sqrt(max(above, 0.0)))


def _cross(ratio: float, of_plus: float, of_minus: float) -> float:
    """Makes the end exact where the true difference is 0: F alone decides there."""
    return float(((ratio - 1.0) ** 2 - (of_plus * ratio) ** 2 - of_minus**2) / ratio)
