"""
Lengths that transform fast, complex exponentials on regular grids, raised cosines.

The transforms themselves are numpy's: they are within a tenth of the fastest at hand, and loading
another library for them costs ten times as long as analysing a recording.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray


@lru_cache(maxsize=256)
def find_next_fast_length(n: int) -> int:
    """
    Smallest product of 2, 3 and 5 alone that is not below a number.

    Parameters
    ----------
    n : int
        From 1.

    Returns
    -------
    int

    Examples
    --------
    >>> find_next_fast_length(2049)
    2160
    """
    return min(odd << (-(-n // odd) - 1).bit_length() for odd in _list_odd(2 * n))


@lru_cache(maxsize=256)
def find_previous_fast_length(n: int) -> int:
    """
    Largest product of 2, 3 and 5 alone that is not above a number.

    Parameters
    ----------
    n : int
        From 1.

    Returns
    -------
    int

    Examples
    --------
    >>> find_previous_fast_length(2047)
    2025
    """
    return max(odd << ((n // odd).bit_length() - 1) for odd in _list_odd(n))


def _list_odd(highest: int) -> list[int]:
    """Products of 3 and 5 alone up to a number."""
    fives = [5**power for power in range(1 + int(math.log(highest, 5) + 1e-9))]
    return [
        three * five
        for five in fives
        for three in (3**power for power in range(1 + int(math.log(highest // five, 3) + 1e-9)))
    ]


def make_phasors(step_turns: ArrayLike, count: int, first: int = 0) -> NDArray[np.complex128]:
    """
    Complex exponentials exp(2 pi j step k) for k from `first` on.

    Parameters
    ----------
    step_turns : array_like, shape () or (n,)
        Turns from one k to the next.
    count : int
        How many k.
    first : int

    Returns
    -------
    ndarray, shape (count,) or (count, n)

    Notes
    -----
    An outer product of coarse and fine turns: about 2 sqrt(count) exponentials in place of count,
    and one product each, which rounds by 1e-16.

    Examples
    --------
    >>> np.round(make_phasors(0.25, 3), 12).tolist()
    [(1+0j), 1j, (-1+0j)]
    """
    turn = 2j * np.pi * np.asarray(step_turns, dtype=np.float64)
    block = math.isqrt(count) + 1
    fine = np.exp(np.multiply.outer(np.arange(block), turn))
    coarse = np.exp(np.multiply.outer(np.arange(first, first + count, block), turn))
    return np.asarray((coarse[:, None] * fine[None]).reshape(-1, *turn.shape)[:count])


def raise_cosine(position: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Raised cosine from 0 at 0 to 1 at 1, flat outside.

    Parameters
    ----------
    position : ndarray, any shape but ()

    Returns
    -------
    ndarray, same shape

    Examples
    --------
    >>> raise_cosine(np.array([-1.0, 0.5, 3.0])).round(12).tolist()
    [0.0, 0.5, 1.0]
    """
    ramp = np.clip(position, 0.0, 1.0)
    # Most of a fade or a window is flat: only what bends needs its cosine.
    bent = (ramp > 0.0) & (ramp < 1.0)
    ramp[bent] = 0.5 - 0.5 * np.cos(np.pi * ramp[bent])
    return ramp


def keep_awake(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Samples with a trace of noise, for a recursive filter that may meet nothing but zeros.

    What rings on in a filter then sinks below the smallest normal number, where a processor takes
    a hundred times as long (IEEE 754 subnormals). The trace is 380 dB below full scale.

    Parameters
    ----------
    samples : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)

    Examples
    --------
    >>> heard = keep_awake(np.zeros(5000))
    >>> bool(np.all(np.abs(heard) < 1e-18) and np.any(heard))
    True
    """
    trace = np.random.default_rng(0).standard_normal(4096)
    return np.asarray(samples + 1e-19 * np.resize(trace, len(samples)))
