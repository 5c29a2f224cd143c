"""
Repeated results -> how much of their scatter comes from where: repeatability, reproducibility.

Analysis of variance with random factors. One factor after ISO 5725-2:1994, 7.4 (laboratories,
benches, days; unequal numbers of results allowed); two factors crossed (two persons on two days,
each seating the handset several times) or nested (days within a person). What the tables say of
each part of the scatter is in `variances`, groups that do not fit the others in `outlying`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.verdicts.outlying import check_cells
from voicecheck.verdicts.variances import MeanSquare, VarianceTable


def analyse_groups(
    groups: Sequence[Sequence[float]], *, between: str = "laboratory", within: str = "result"
) -> VarianceTable:
    """
    One factor: repeatability, between-group and reproducibility variance.

    Parameters
    ----------
    groups : sequence of sequences of float
        Results by laboratory, bench or day; at least two groups, one of them with two results.
    between, within : str
        What the two parts are called.

    Returns
    -------
    VarianceTable
        With unequal numbers of results the interval of what holds `between` is approximate.

    Raises
    ------
    InputError
        Too few groups or results, or a value that is not finite.

    Notes
    -----
    Source: ISO 5725-2:1994, 7.4.5: s_r^2 is the mean square within, s_L^2 the difference of the
    mean squares over (N - sum(n^2) / N) / (p - 1), s_R^2 their sum (formulas MEM, held against a
    published example and against NIST's certified values in the tests).

    Examples
    --------
    >>> table = analyse_groups([[1.0, 3.0], [5.0, 7.0]])
    >>> table.repeatability.variance, table.estimate("laboratory").variance
    (2.0, 7.0)
    """
    cells = check_cells(groups)
    counts = np.array([len(cell) for cell in cells])
    if len(cells) < 2:
        raise InputError("one group tells nothing of what differs between groups; take a second")
    middle, rest = _center(cells)
    total = counts.sum()
    mean = float(np.concatenate(rest).mean())
    means = np.array([cell.mean() for cell in rest])
    among = float(np.sum(counts * np.square(means - mean))) / (len(cells) - 1)
    inside = _pool_within(rest, within)
    usual = (total - np.sum(np.square(counts)) / total) / (len(cells) - 1)
    return VarianceTable(
        mean=middle + mean,
        n_results=int(total),
        rows=(MeanSquare(name=between, value=among, dof=len(cells) - 1), inside),
        weights={between: (1.0 / usual, -1.0 / usual), within: (0.0, 1.0)},
    )


def analyse_crossed(
    cells: Sequence[Sequence[Sequence[float]]],
    *,
    first: str = "person",
    second: str = "day",
    within: str = "seat",
) -> VarianceTable:
    """
    Two factors crossed, as every person on every day, several results each.

    Parameters
    ----------
    cells : sequence (first) of sequences (second) of sequences of float
        At least two by two, each with a result, one of them with two.
    first, second, within : str
        What the parts are called; the two together are "first:second".

    Returns
    -------
    VarianceTable
        Where a seat is missing, the cells' means with the harmonic mean of their numbers.

    Raises
    ------
    InputError
        The cells are no full table, too few, or a value is not finite.

    Notes
    -----
    Expected mean squares, random factors: within s^2; together s^2 + n s_12^2; first
    s^2 + n s_12^2 + n b s_1^2; second likewise with a (Searle, Casella, McCulloch, Variance
    Components, 1992; MEM, held against another program's fit in the tests).

    Examples
    --------
    >>> table = analyse_crossed([[[1.0, 3.0], [2.0, 4.0]], [[5.0, 7.0], [6.0, 8.0]]])
    >>> [(row.name, row.value, row.dof) for row in table.rows]
    [('person', 32.0, 1), ('day', 2.0, 1), ('person:day', 0.0, 1), ('seat', 2.0, 4)]
    """
    middle, means, usual, inside, n_results = _read_table(cells, within)
    a, b = means.shape
    mean = float(means.mean())
    by_first, by_second = means.mean(axis=1), means.mean(axis=0)
    joint = means - by_first[:, None] - by_second[None, :] + mean
    rows = (
        _row(first, usual * b * np.square(by_first - mean), a - 1),
        _row(second, usual * a * np.square(by_second - mean), b - 1),
        _row(f"{first}:{second}", usual * np.square(joint), (a - 1) * (b - 1)),
        inside,
    )
    per = 1.0 / usual
    return VarianceTable(
        mean=middle + mean,
        n_results=n_results,
        rows=rows,
        weights={
            first: (per / b, 0.0, -per / b, 0.0),
            second: (0.0, per / a, -per / a, 0.0),
            f"{first}:{second}": (0.0, 0.0, per, -per),
            within: (0.0, 0.0, 0.0, 1.0),
        },
    )


def analyse_nested(
    cells: Sequence[Sequence[Sequence[float]]],
    *,
    outer: str = "day",
    inner: str = "person",
    within: str = "seat",
) -> VarianceTable:
    """
    One factor within the other, as persons who each came on one of the days alone.

    Parameters
    ----------
    cells : sequence (outer) of sequences (inner) of sequences of float
        The same number of inner ones in each outer one, at least two; one cell with two results.
    outer, inner, within : str
        What the parts are called.

    Returns
    -------
    VarianceTable
        Where a seat is missing, the cells' means with the harmonic mean of their numbers.

    Raises
    ------
    InputError
        The cells are no full table, too few, or a value is not finite.

    Notes
    -----
    Expected mean squares: within s^2; inner s^2 + n s_i^2; outer s^2 + n s_i^2 + n b s_o^2
    (ISO 5725-3:1994, annex B, the fully nested experiment; MEM, held against certified values in
    the tests).

    Examples
    --------
    >>> table = analyse_nested([[[1.0, 3.0], [2.0, 4.0]], [[5.0, 7.0], [6.0, 8.0]]])
    >>> [(row.name, row.value, row.dof) for row in table.rows]
    [('day', 32.0, 1), ('person', 1.0, 2), ('seat', 2.0, 4)]
    """
    middle, means, usual, inside, n_results = _read_table(cells, within)
    a, b = means.shape
    mean = float(means.mean())
    by_outer = means.mean(axis=1)
    rows = (
        _row(outer, usual * b * np.square(by_outer - mean), a - 1),
        _row(inner, usual * np.square(means - by_outer[:, None]), a * (b - 1)),
        inside,
    )
    per = 1.0 / usual
    return VarianceTable(
        mean=middle + mean,
        n_results=n_results,
        rows=rows,
        weights={
            outer: (per / b, -per / b, 0.0),
            inner: (0.0, per, -per),
            within: (0.0, 0.0, 1.0),
        },
    )


def _center(cells: Sequence[Array]) -> tuple[float, list[Array]]:
    """Results less one of them, so that squares keep the digits in which results differ."""
    middle = float(cells[0][0])
    return middle, [cell - middle for cell in cells]


def _read_table(
    cells: Sequence[Sequence[Sequence[float]]], within: str
) -> tuple[float, Array, float, MeanSquare, int]:
    """Taken off, means of the cells, harmonic mean of their numbers, row within, results."""
    widths = {len(row) for row in cells}
    if len(cells) < 2 or len(widths) != 1 or min(widths) < 2:
        raise InputError("need a full table of at least two by two cells; take what is missing")
    flat = check_cells([cell for row in cells for cell in row])
    middle, rest = _center(flat)
    means = np.array([cell.mean() for cell in rest]).reshape(len(cells), -1)
    counts = np.array([len(cell) for cell in rest])
    usual = float(len(counts) / np.sum(1.0 / counts))
    return middle, means, usual, _pool_within(rest, within), int(counts.sum())


def _pool_within(cells: Sequence[Array], name: str) -> MeanSquare:
    dof = sum(len(cell) - 1 for cell in cells)
    if dof < 1:
        raise InputError("no group with two results: nothing tells of repeatability; repeat one")
    total = sum(float(np.sum(np.square(cell - cell.mean()))) for cell in cells)
    return MeanSquare(name=name, value=total / dof, dof=dof)


def _row(name: str, squares: Array, dof: int) -> MeanSquare:
    return MeanSquare(name=name, value=float(np.sum(squares)) / dof, dof=dof)
