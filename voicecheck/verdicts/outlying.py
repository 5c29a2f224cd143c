"""
Groups of results that do not fit the others: Cochran's and Grubbs' tests of ISO 5725-2:1994, 7.3.

They warn. What is left out of an analysis is for whoever took the results to say, with the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """
    A group that does not fit the others (ISO 5725-2:1994, 7.3).

    Parameters
    ----------
    test : str
        "cochran": its results scatter too much; "grubbs": its mean lies too far out.
    group : int
        Its index.
    statistic, at_5_percent, at_1_percent : float
        No unit: what was found, and what chance alone passes in 5 and in 1 of 100 analyses.
    """

    test: str
    group: int
    statistic: float
    at_5_percent: float
    at_1_percent: float

    @property
    def is_outlier(self) -> bool:
        """Beyond 1 %; between 5 % and 1 % it is a straggler, kept and looked at."""
        return self.statistic > self.at_1_percent


def find_suspects(groups: Sequence[Sequence[float]]) -> tuple[Suspect, ...]:
    """
    Groups to look at before their results are believed; none is left out of the analysis.

    Parameters
    ----------
    groups : sequence of sequences of float
        As of `analyse_groups`, or the cells of a table one after another.

    Returns
    -------
    tuple of Suspect
        Beyond the 5 % value of Cochran's test (largest variance; the number of results is that
        of most groups) or of Grubbs' (largest, then smallest mean; three groups at least). The
        test for two outlying means at once is not made.

    Raises
    ------
    InputError
        A value is not finite, or a group is empty.

    Notes
    -----
    Source: ISO 5725-2:1994, 7.3.3 and 7.3.4. Its tables 4 and 5 are computed here from F and
    Student's t at the chance over the number of groups (one printed row of each is in the tests).
    """
    cells = check_cells(groups)
    found = [_test_scatter(cells), *_test_means(np.array([cell.mean() for cell in cells]))]
    return tuple(one for one in found if one is not None and one.statistic > one.at_5_percent)


def critical_cochran(n_groups: int, n_results: int, chance: float) -> float:
    """
    Largest share of one group's variance in the sum of all that chance passes so rarely.

    Examples
    --------
    >>> round(critical_cochran(8, 3, 0.05), 3), round(critical_cochran(8, 3, 0.01), 3)
    (0.516, 0.615)
    """
    from scipy.special import fdtri

    ratio = fdtri(n_results - 1, (n_groups - 1) * (n_results - 1), 1.0 - chance / n_groups)
    return float(1.0 / (1.0 + (n_groups - 1) / ratio))


def critical_grubbs(n_groups: int, chance: float) -> float:
    """
    Largest distance of one mean from all, in standard deviations, that chance passes so rarely.

    Examples
    --------
    >>> round(critical_grubbs(8, 0.05), 3), round(critical_grubbs(8, 0.01), 3)
    (2.127, 2.274)
    """
    from scipy.special import stdtrit

    square = float(stdtrit(n_groups - 2, 1.0 - chance / (2 * n_groups))) ** 2
    return float((n_groups - 1) / np.sqrt(n_groups) * np.sqrt(square / (n_groups - 2 + square)))


def _test_scatter(cells: Sequence[Array]) -> Suspect | None:
    several = [index for index, cell in enumerate(cells) if len(cell) > 1]
    if len(several) < 2:
        return None
    variances = np.array([cells[index].var(ddof=1) for index in several])
    if not variances.sum() > 0.0:
        return None
    counts = [len(cells[index]) for index in several]
    usual = max(sorted(set(counts)), key=counts.count)
    largest = int(np.argmax(variances))
    return Suspect(
        test="cochran",
        group=several[largest],
        statistic=float(variances[largest] / variances.sum()),
        at_5_percent=critical_cochran(len(several), usual, 0.05),
        at_1_percent=critical_cochran(len(several), usual, 0.01),
    )


def _test_means(means: Array) -> list[Suspect]:
    if len(means) < 3 or not means.std(ddof=1) > 0.0:
        return []
    distances = (means - means.mean()) / means.std(ddof=1)
    limits = critical_grubbs(len(means), 0.05), critical_grubbs(len(means), 0.01)
    return [
        Suspect(
            test="grubbs", group=group, statistic=float(abs(distances[group])),
            at_5_percent=limits[0], at_1_percent=limits[1],
        )
        for group in (int(np.argmax(distances)), int(np.argmin(distances)))
    ]  # fmt: skip


def check_cells(cells: Sequence[Sequence[float]]) -> list[Array]:
    """
    Groups of results as arrays.

    Raises
    ------
    InputError
        None at all, one without a result, or a value that is not finite.
    """
    arrays = [np.asarray(cell, dtype=float) for cell in cells]
    if not arrays or any(cell.ndim != 1 or not len(cell) for cell in arrays):
        raise InputError("a group without a result; leave the group out or take its results")
    if not all(np.all(np.isfinite(cell)) for cell in arrays):
        raise InputError("a result that is not a finite number; leave it out")
    return arrays
