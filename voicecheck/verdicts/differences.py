"""
How large a difference between two stages of one set has to be.

What is asked is how often an unchanged set would show such a difference, so both sides share one
spread between seats: it is pooled over them and has the degrees of freedom of all seats but one a
side (with a single seat on one side, those of the other side alone). Beside it stand what moved at
the bench from day to day, two calibrations where there are two, and the noise of the recordings.
Each part is expanded by Student's t at its own degrees of freedom and the parts are added in
quadrature, which is never less than the exact limit of their sum (W. G. Cochran, Biometrics 20(1),
1964: general statistics).

A whole comparison of an unchanged set calls something real in at most `REAL_RATE`, real or doubtful
in at most `TOLD_RATE`. Both are shared evenly over the paths and by `SHARE` over the kinds of
quantities. Quantities of a kind move together, and how much so depends on the set: where all points
of a curve move as one their spread is known no better than the seats tell, and they count as `FEW`
quantities; where each moves by itself the points tell of each other's spread (a point's is drawn
towards the mean of all), and they count as `MANY`. Both have to hold. The numbers were measured
(`tests/bench/verdict_rates.md`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from voicecheck.budgets import student_95
from voicecheck.records import BudgetRow
from voicecheck.records.arrays import Array
from voicecheck.records.terms import BudgetName
from voicecheck.verdicts.limits import draw_together

REAL_RATE = 0.05
TOLD_RATE = 0.20
MISSED_RATE = 0.10
"""Of changes as large as the smallest that can be found, this share is missed."""
SHARE = {
    "level": 0.57, "response": 0.12, "shape": 0.08, "distortion": 0.09, "noise": 0.09,
    "linearity": 0.02, "crackle": 0.02, "steadiness": 0.01,
}  # fmt: skip
"""Most goes to the bands, which are averages and know a level best."""
FEW = {
    "level": 1.6, "response": 1.5, "shape": 2.0, "distortion": 3.0, "noise": 2.0,
    "linearity": 2.0, "crackle": 1.0, "steadiness": 2.0,
}  # fmt: skip
MANY = {"level": 4.0, "response": 53.0, "shape": 53.0, "distortion": 7.0}
FLOOR = {
    "level": 0.015, "response": 0.015, "shape": 0.015, "distortion": 0.2, "noise": 0.3,
    "linearity": 0.05, "crackle": 0.5, "steadiness": 0.2,
}  # fmt: skip
"""
Smallest spread between seats that is believed, on the scale that is judged (a choice, no source).

One burst in a silence of two seconds is 0.5 a second; plain noise over as long is known to 0.3 dB.
"""
STATED = {
    "level": 0.5, "response": 0.5, "shape": 0.5, "distortion": 1.0, "noise": 1.0,
    "linearity": 0.3, "crackle": 0.5, "steadiness": 0.5,
}  # fmt: skip
"""Spread between seats where nothing tells it: one seat on either side (PROP)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """
    One part of a difference's uncertainty.

    `standard` is its standard uncertainty, shape (..., n_quantities); `dof` the degrees of freedom
    behind it, `None` where they are many, NaN where it is stated, not measured. `drawn_dof` are
    those behind it where the quantities of the group tell of each other's spread, `None` where the
    part is common to all of them.
    """

    name: BudgetName
    standard: Array
    dof: Array | float | None = None
    drawn_dof: Array | float | None = None


def seat_part(
    after: Array, before: Array, *, family: str, prior_dof: float = 0.0,
    whole: Array | None = None, share: Array | float = 1.0,
) -> Part:  # fmt: skip
    """
    What the spread between seats leaves of a difference of two means.

    Parameters
    ----------
    after, before : ndarray, shape (..., n_seats, n_quantities)
        Values of each seat, NaN where withheld.
    family : str
        A key of `FLOOR`.
    prior_dof : float
        Weight, in degrees of freedom, with which a small variance is drawn towards the group's.
    whole : ndarray, shape (..., 1), optional
        Variance of the group; the mean over the quantities when left out.
    share : ndarray or float
        What is expected of each quantity as a part of the group's variance.

    Returns
    -------
    Part
        A quantity that shows more than it is drawn to keeps its own.
    """
    variance, dof = pool_variance(after, before)
    known = dof > 0
    own = np.where(known, np.maximum(variance, FLOOR[family] ** 2), STATED[family] ** 2)
    if prior_dof:
        group = np.nanmean(own, axis=-1, keepdims=True) if whole is None else whole
        drawn = draw_together(own, dof, whole=group, prior_dof=prior_dof, share=share)
        own = np.where(known, np.maximum(own, drawn), own)
    counts = [np.sum(np.isfinite(side), axis=-2) for side in (after, before)]
    with np.errstate(divide="ignore"):
        shared = own * (1.0 / counts[0] + 1.0 / counts[1])
    # A noisy room on one side alone: then the few seats of that side tell more than all together.
    apart = [pool_variance(side, side[..., :0, :]) for side in (after, before)]
    each = sum(one[0] / np.maximum(n, 1) for one, n in zip(apart, counts, strict=True))
    both = (apart[0][1] > 0) & (apart[1][1] > 0)
    standard = np.sqrt(np.where(both, np.maximum(shared, each), shared))
    own_dof = np.where(known, dof, np.nan)
    return Part(name="seats", standard=standard, dof=own_dof, drawn_dof=own_dof + prior_dof)


def pool_variance(after: Array, before: Array) -> tuple[Array, Array]:
    """
    Variance of one seat, and its degrees of freedom, as an unchanged set has it on both sides.

    Parameters
    ----------
    after, before : ndarray, shape (..., n_seats, n_quantities)

    Returns
    -------
    variance, dof : ndarray, shape (..., n_quantities)
        Variance 0 where the degrees of freedom are 0.

    Examples
    --------
    >>> variance, dof = pool_variance(np.array([[1.0]]), np.array([[0.6], [0.0], [-0.6]]))
    >>> variance.round(6).tolist(), dof.tolist()
    ([0.36], [2])
    """
    squares, dof = np.zeros(1), np.zeros(1, dtype=int)
    for side in (after, before):
        there = np.isfinite(side)
        count = np.sum(there, axis=-2)
        mean = np.sum(np.where(there, side, 0.0), axis=-2) / np.maximum(count, 1)
        apart = np.where(there, side - mean[..., None, :], 0.0)
        squares = squares + np.sum(np.square(apart), axis=-2)
        dof = dof + np.maximum(count - 1, 0)
    return squares / np.maximum(dof, 1), dof


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """
    What a difference is held against, each of shape (..., n_quantities).

    Beyond `real` it is real, beyond `doubt` doubtful; a change as large as `found` would be called
    real in nine of ten cases. `real` and `found` are infinite where a spread is stated only.
    """

    real: Array
    doubt: Array
    found: Array


def compute_reach(parts: Sequence[Part], *, family: str, n_paths: int) -> Reach:
    """
    Limits for the differences of one family, simultaneous with all others of the comparison.

    Parameters
    ----------
    parts : sequence of Part
    family : str
        A key of `SHARE`.
    n_paths : int
        Paths compared together.

    Returns
    -------
    Reach
    """
    real, doubt = (
        _expand_both(parts, family, rate * SHARE[family] / n_paths / 2.0)
        for rate in (REAL_RATE, TOLD_RATE)
    )
    for part in parts:
        if part.dof is not None:
            real = np.where(np.isnan(part.dof), np.inf, real)
    return Reach(real=real, doubt=doubt, found=real + expand(parts, MISSED_RATE))


def _expand_both(parts: Sequence[Part], family: str, tail: float) -> Array:
    few = expand(parts, tail / FEW[family])
    if family not in MANY:
        return few
    own = [replace(part, dof=part.drawn_dof) for part in parts if part.drawn_dof is not None]
    shared = [part for part in parts if part.drawn_dof is None]
    apart = np.hypot(expand(own, tail / MANY[family]), expand(shared, tail / FEW[family]))
    return np.asarray(np.maximum(few, apart))


def expand(parts: Sequence[Part], tail: float) -> Array:
    """
    Half-width that is exceeded on one side with a probability of `tail`.

    Examples
    --------
    >>> parts = [Part(name="seats", standard=np.array([1.0]), dof=4.0)]
    >>> expand(parts, 0.025).round(3).tolist()
    [2.776]
    """
    from scipy.special import ndtri, stdtrit

    total = np.zeros(1)
    for part in parts:
        dof = np.asarray(np.inf if part.dof is None else part.dof, dtype=float)
        many = ~np.isfinite(dof)
        quantile = np.where(many, -ndtri(tail), -stdtrit(np.where(many, 1.0, dof), tail))
        total = total + np.square(quantile * part.standard)
    return np.asarray(np.sqrt(total))


def list_rows(parts: Sequence[Part], at: int) -> tuple[BudgetRow, ...]:
    """Rows of one quantity's budget, each a 95 % interval by itself; parts of 0 are left out."""
    rows = []
    for part in parts:
        standard = float(np.atleast_1d(part.standard)[at])
        dof = np.asarray(np.inf if part.dof is None else part.dof, dtype=float)
        own = float(dof if dof.ndim == 0 else dof[at])
        known = own if math.isfinite(own) else None
        if standard > 0.0:
            factor = float(student_95(1e9 if known is None else known))
            rows.append(BudgetRow(name=part.name, half_width=factor * standard, dof=known))
    return tuple(rows)
