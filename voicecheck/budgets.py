"""
Parts of an uncertainty -> one interval, after JCGM 100:2008 (the GUM).

A row holds the half-width of a 95 % interval by one part alone and its degrees of freedom; the
standard uncertainty is that over Student's t. Rows add in quadrature (5.1.2), and the whole is
expanded by Student's t at the effective degrees of freedom of equation G.2b.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from voicecheck.records import (
    Bands,
    Distortion,
    Intermodulation,
    Linearity,
    Loudness,
    Noise,
    Residual,
    Response,
)
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import Budget, BudgetRow, CurveBudget, CurveBudgetRow

COVERAGE_95 = 1.959964
"""Half-width of a 95 % interval in standard deviations of a normal value."""
MANY_DOF = 1e9
"""In place of infinity, which has no inverse to interpolate at."""
LOG_T = (
    0.6729263, 1.210338, 0.7082989, 0.1450042, -0.1995059, -0.1577692, 0.2767338, -0.1390986,
    0.02516277,
)  # fmt: skip
"""
ln of Student's t of two-sided 95 % as a polynomial of 1/dof, constant first.

Fitted to the exact quantile over 1 to infinitely many degrees of freedom, within 2 in 10^7 (a
test compares): fractions of a degree come up, and an analysis loads no table of distributions.
"""
OWN_ROWS = ("noise", "rounding")
"""Parts that are new in every recording; the others are common to all and do not average down."""
Row = TypeVar("Row", bound=BudgetRow | CurveBudgetRow)
Figures = TypeVar("Figures", Bands, Intermodulation, Linearity, Loudness, Noise, Residual)
Curve = TypeVar("Curve", Response, Distortion)


def student_95(dof: ArrayLike) -> Array:
    """
    Student's t of two-sided 95 %.

    Parameters
    ----------
    dof : array_like
        Degrees of freedom, at least 1; less is taken as 1.

    Returns
    -------
    ndarray of the same shape

    Examples
    --------
    >>> student_95([2, 1e9]).round(3).tolist()
    [4.303, 1.96]
    """
    inverse = 1.0 / np.maximum(np.asarray(dof, dtype=float), 1.0)
    log_t = np.full_like(inverse, LOG_T[-1])
    for factor in reversed(LOG_T[:-1]):
        log_t = log_t * inverse + factor
    return np.asarray(np.exp(log_t))


def combine_rows(rows: Budget) -> float:
    """
    Half-width of a figure's 95 % interval.

    Parameters
    ----------
    rows : tuple of BudgetRow

    Returns
    -------
    float
        In the figure's unit; 0 without rows.

    Examples
    --------
    >>> round(combine_rows((BudgetRow(name="noise", half_width=0.3),
    ...                     BudgetRow(name="calibration", half_width=0.4))), 6)
    0.5
    """
    if not rows:
        return 0.0
    return float(_combine(np.array([row.half_width for row in rows]), [row.dof for row in rows]))


def combine_curve_rows(rows: CurveBudget) -> Array:
    """
    Half-widths of a curve's 95 % intervals.

    Parameters
    ----------
    rows : tuple of CurveBudgetRow
        At least one.

    Returns
    -------
    ndarray, shape (n_points,)
        In the curve's unit. A part that is not known at a point (NaN) is left out there.
    """
    return _combine(np.array([row.half_width for row in rows]), [row.dof for row in rows])


def _combine(half_widths: Array, dofs: Sequence[Array | float | None]) -> Array:
    """Rows along the first axis."""
    if len(half_widths) == 1:
        # Expanded by the very t that it is divided by.
        return np.asarray(np.abs(np.nan_to_num(half_widths[0])))
    standard, dof = _add_up(half_widths, dofs)
    return np.asarray(student_95(dof) * standard)


def _add_up(half_widths: Array, dofs: Sequence[Array | float | None]) -> tuple[Array, Array]:
    """Standard uncertainty and effective degrees of freedom (G.2b), rows along the first axis."""
    shape = half_widths.shape[1:]
    dof = np.array([np.broadcast_to(MANY_DOF if d is None else d, shape) for d in dofs], float)
    dof = np.clip(np.nan_to_num(dof, nan=MANY_DOF), 1.0, MANY_DOF)
    variances = np.square(np.nan_to_num(half_widths) / student_95(dof))
    total = np.sum(variances, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.square(total) / np.sum(np.square(variances) / dof, axis=0)
    effective = np.clip(np.nan_to_num(effective, nan=MANY_DOF), 1.0, MANY_DOF)
    return np.sqrt(total), np.asarray(effective)


def pool_rows(budgets: Sequence[Budget]) -> Budget:
    """
    Rows of the mean of several figures, the spread between them not yet in it.

    Parameters
    ----------
    budgets : sequence of Budget
        One of each figure.

    Returns
    -------
    Budget
        Parts that are new in every recording fall with the root of their number, and their
        degrees of freedom add up; the others stay.
    """
    curves = [tuple(_as_curve(row) for row in rows) for rows in budgets]
    return tuple(
        BudgetRow(
            name=row.name,
            half_width=float(row.half_width[0]),
            dof=None if row.dof is None else float(row.dof[0]),
        )
        for row in pool_curve_rows(curves)
    )


def _as_curve(row: BudgetRow) -> CurveBudgetRow:
    return CurveBudgetRow(
        name=row.name,
        half_width=np.array([row.half_width]),
        dof=None if row.dof is None else np.array([row.dof]),
    )


def cut_budget(budget: CurveBudget, at: int) -> Budget:
    """
    Rows of a curve's budget at one of its points, without what is not known there.

    Parameters
    ----------
    budget : CurveBudget
    at : int
        Index of the point.

    Returns
    -------
    Budget
    """
    return tuple(
        BudgetRow(
            name=row.name,
            half_width=float(row.half_width[at]),
            dof=None if row.dof is None else float(row.dof[at]),
        )
        for row in budget
        if np.isfinite(row.half_width[at])
    )


def pool_curve_rows(budgets: Sequence[CurveBudget]) -> CurveBudget:
    """
    Rows of the mean of several curves, the spread between them not yet in it.

    Parameters
    ----------
    budgets : sequence of CurveBudget
        One of each curve.

    Returns
    -------
    CurveBudget
        As `pool_rows`, point by point over the curves that have the point.
    """
    names = dict.fromkeys(row.name for rows in budgets for row in rows)
    return tuple(
        _pool_row([row for rows in budgets for row in rows if row.name == name]) for name in names
    )


def _pool_row(rows: Sequence[CurveBudgetRow]) -> CurveBudgetRow:
    half_widths = np.array([row.half_width for row in rows])
    known = np.isfinite(half_widths)
    count = np.maximum(np.sum(known, axis=0), 1)
    is_own = rows[0].name in OWN_ROWS
    square = np.sum(np.square(np.where(known, half_widths, 0.0)), axis=0) / count
    dofs = [row.dof for row in rows if row.dof is not None]
    dof = None
    if len(dofs) == len(rows):
        dof = np.sum(dofs, axis=0) if is_own else np.min(dofs, axis=0)
    return CurveBudgetRow(
        name=rows[0].name,
        half_width=np.where(
            np.any(known, axis=0), np.sqrt(square / count if is_own else square), np.nan
        ),
        dof=dof,
    )


def uncertainty_name(figure: str) -> str:
    """
    Key of a figure's uncertainty.

    Examples
    --------
    >>> uncertainty_name("psophometric_dbfs"), uncertainty_name("thd_percent")
    ('psophometric_uncertainty_db', 'thd_uncertainty_percent')
    >>> uncertainty_name("slr_db")
    'uncertainty_db'
    """
    if figure in {"slr_db", "rlr_db", "stmr_db"}:
        return "uncertainty_db"
    stem, _, unit = figure.rpartition("_")
    return f"{stem}_uncertainty_{'db' if unit.startswith('db') else unit}"


def add_row(record: Figures, figure: str, row: BudgetRow) -> Figures:
    """
    A record whose figure has one more row in its budget, and an interval that holds it.

    Parameters
    ----------
    record : Bands, Loudness, Noise, ...
        With a `budget` by figure.
    figure : str
        Its key, as "mid_db"; one that is `None` is left alone.
    row : BudgetRow
        Added in quadrature to what is there under its name.

    Returns
    -------
    record of the same type
    """
    if getattr(record, figure) is None:
        return record
    rows = merge_row(record.budget.get(figure, ()), row)
    changes: dict[str, Any] = {uncertainty_name(figure): combine_rows(rows)}
    return dataclasses.replace(record, budget={**record.budget, figure: rows}, **changes)


def add_curve_row(record: Curve, curve: str, row: CurveBudgetRow) -> Curve:
    """
    The same for the curve of a record whose `budget` is the curve's own.

    Parameters
    ----------
    record : Response or Distortion
    curve : str
        Its key: "level_db" (its uncertainty is `uncertainty_db`) or "thd_percent".
    row : CurveBudgetRow

    Returns
    -------
    record of the same type
    """
    rows = merge_row(record.budget, row)
    name = "uncertainty_db" if curve == "level_db" else uncertainty_name(curve)
    half_width = np.where(np.isfinite(getattr(record, curve)), combine_curve_rows(rows), np.nan)
    changes: dict[str, Any] = {name: half_width}
    return dataclasses.replace(record, budget=rows, **changes)


def merge_row(rows: tuple[Row, ...], row: Row) -> tuple[Row, ...]:
    """
    Rows with one more: in quadrature to that of its name, at its place, or at the end.

    Examples
    --------
    >>> merge_row((BudgetRow(name="noise", half_width=3.0),),
    ...           BudgetRow(name="noise", half_width=4.0))
    (BudgetRow(name='noise', half_width=5.0, dof=None),)
    """
    there = [one for one in rows if one.name == row.name]
    if not there:
        return (*rows, row)
    # The fewer of the two: what is joined is no better known than the worse of its parts.
    dofs: list[Any] = [one.dof for one in (*there, row) if one.dof is not None]
    half_width: Any = np.hypot(there[0].half_width, row.half_width)
    changes: dict[str, Any] = {
        "half_width": float(half_width) if isinstance(row, BudgetRow) else half_width,
        "dof": functools.reduce(np.minimum, dofs) if dofs else None,
    }
    joined = dataclasses.replace(row, **changes)
    return tuple(joined if one.name == row.name else one for one in rows)
