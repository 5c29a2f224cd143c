"""
Middle values and distinct ones.

numpy's own functions load masked arrays, 10 ms in a fresh process, and take twice as long for the
few dozen values that a median is mostly asked for here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def find_median(values: NDArray[np.float64]) -> float:
    """
    Median of all values.

    Parameters
    ----------
    values : ndarray, any shape
        At least one.

    Returns
    -------
    float
        NaN where one of them is.

    Examples
    --------
    >>> find_median(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    return float(find_medians(values.ravel()))


def find_medians(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Medians along the last axis.

    Parameters
    ----------
    values : ndarray, shape (..., n)
        n is at least 1.

    Returns
    -------
    ndarray, shape (...)
        NaN where one of the values is.

    Examples
    --------
    >>> find_medians(np.array([[3.0, 1.0, 2.0], [1.0, np.nan, 0.0]])).tolist()
    [2.0, nan]
    """
    half = values.shape[-1] // 2
    low = half - 1 + values.shape[-1] % 2
    # Sorted up to the middle, and whatever is not a number at the end.
    part = np.partition(values, (low, half, -1), axis=-1)
    middle = 0.5 * (part[..., low] + part[..., half])
    return np.asarray(np.where(np.isnan(part[..., -1]), np.nan, middle))


def list_distinct(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Each value once, rising.

    Parameters
    ----------
    values : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n_distinct,)

    Examples
    --------
    >>> list_distinct(np.array([2.0, 1.0, 2.0])).tolist()
    [1.0, 2.0]
    """
    ordered = np.sort(values)
    is_new = np.append(True, ordered[1:] > ordered[:-1])[: len(ordered)]
    return np.asarray(ordered[is_new])
