"""
Sets of a type that fall into two groups: two makes under one name.

For each trait the sets are put in order and cut where the two parts explain most of the variance
(the best one-dimensional cut, general statistics). How much a cut explains by chance is found by
drawing normal sets; a rate of 2 in 100 is shared out over the traits.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from voicecheck.records import Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts.covariance import read_sets
from voicecheck.verdicts.traits import TRAITS

FEWEST_SETS = 6
LEAST_GROUP = 2
GROUPED_RATE = 0.02
SEARCHED = ("level", "slope", "bow", "distortion", "noise")
DRAWS, SEED = 20_000, 14


def explain_by_cut(values: Array) -> tuple[Array, Array]:
    """
    Share of the variance that the best cut explains, and how many lie below it.

    Parameters
    ----------
    values : ndarray, shape (..., n)

    Returns
    -------
    share : ndarray, shape (...)
        0 to 1.
    below : ndarray of int, shape (...)

    Examples
    --------
    >>> share, below = explain_by_cut(np.array([0.0, 5.1, 0.1, 4.9, 0.2]))
    >>> round(float(share), 2), int(below)
    (1.0, 3)
    """
    ordered = np.sort(values, axis=-1)
    n = ordered.shape[-1]
    away = ordered - np.mean(ordered, axis=-1, keepdims=True)
    below = np.arange(LEAST_GROUP, n - LEAST_GROUP + 1)
    sums = np.cumsum(away, axis=-1)[..., below - 1]
    between = sums**2 * (1.0 / below + 1.0 / (n - below))
    total = np.sum(away**2, axis=-1)
    best = np.argmax(between, axis=-1)
    most = np.max(between, axis=-1)
    return np.where(total > 0.0, most / np.where(total > 0.0, total, 1.0), 0.0), below[best]


@cache
def find_threshold(n: int) -> float:
    """Share that the best cut of so many normal values exceeds as seldom as is allowed."""
    drawn = np.random.default_rng(SEED).standard_normal((DRAWS, n))
    share, _ = explain_by_cut(drawn)
    return float(np.quantile(share, 1.0 - GROUPED_RATE / len(SEARCHED)))


def warn_of_groups(runs: Sequence[Run]) -> list[str]:
    """
    What to know where the sets fall into two groups.

    Parameters
    ----------
    runs : sequence of Run
        One for each reference set.

    Returns
    -------
    list of str
        Empty with fewer than six sets; one warning for the trait that parts them most.
    """
    if len(runs) < FEWEST_SETS:
        return []
    sets, _ = read_sets(runs)
    n, parted = len(runs), ""
    most = find_threshold(n)
    for name in SEARCHED:
        values = sets[:, TRAITS.index(name)]
        if not np.all(np.isfinite(values)):
            continue
        share, below = explain_by_cut(values)
        if share > most:
            most, ordered = float(share), np.sort(values)
            apart_db = float(np.mean(ordered[int(below) :]) - np.mean(ordered[: int(below)]))
            parted = (
                f"the sets fall into two groups of {below} and {n - below}, {apart_db:.1f} dB "
                f"apart in {name}: two makes under one name? A type for each has narrower limits"
            )
    return [parted] if parted else []
