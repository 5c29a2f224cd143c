"""
How often a call is misdialled: from a model of a dial's spread, and from counting alone.

The model: pulse number k of any digit is as pulse number k of a zero, its break and its make each
scattered about a mean of its own, normally and with one spread for all. A digit is read wrong when
one of its breaks or makes leaves the line's window. Digits of a call are equally likely (common
practice, no source). The spread is known from a few zeros only, so that the chance of a single
break or make is that of Student's t, as for one more value of the same kind. That errors on the
side of caution: breaks of one digit that are long together are counted as if they came singly.

Counting alone assumes of a pulse that it is good or bad with one chance, the same for all. With
every one of n pulses good, 95 in 100 such dials have a chance below 1 - 0.05 ** (1 / n) (exact
binomial interval of Clopper and Pearson); a call of ten digits has 55 pulses. Hence ten good zeros
alone allow 0 to 81 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array

PULSES_OF_ZERO = 10
PULSES_PER_DIGIT = 5.5
"""Mean of one to ten."""
FEWEST_ZEROS = 3
"""Two differ once: one number is no spread (PROP)."""
RISK = 0.05

Window = tuple[float, float]
"""Shortest and longest, ms."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """
    Zeros of one dial.

    Parameters
    ----------
    mean_ms : ndarray, shape (n_places,)
        Of each break or make of a zero, first to last.
    sd_ms : float
        About these means, pooled.
    n_zeros : int
    """

    mean_ms: Array
    sd_ms: float
    n_zeros: int

    @property
    def dof(self) -> int:
        """Degrees of freedom of the spread."""
        return self.mean_ms.size * (self.n_zeros - 1)


def find_spread(zeros_ms: Sequence[Sequence[float]]) -> Spread:
    """
    Means and spread of the breaks, or the makes, of some zeros.

    Parameters
    ----------
    zeros_ms : sequence of sequence of float, shape (n_zeros, n_places)
        At least two zeros.

    Examples
    --------
    >>> find_spread([[60.0, 61.0], [62.0, 63.0]]).sd_ms
    1.4142135623730951
    """
    times_ms = np.array(zeros_ms, dtype=np.float64)
    mean_ms = times_ms.mean(axis=0)
    dof = times_ms.shape[1] * (times_ms.shape[0] - 1)
    sd_ms = float(np.sqrt(np.sum((times_ms - mean_ms) ** 2) / dof))
    return Spread(mean_ms=mean_ms, sd_ms=sd_ms, n_zeros=times_ms.shape[0])


def find_good_chances(spread: Spread, window: Window) -> Array:
    """Chance of each break or make to be inside of a window, shape (n_places,)."""
    from scipy.special import stdtr

    scale_ms = spread.sd_ms * np.sqrt(1.0 + 1.0 / spread.n_zeros)
    if scale_ms == 0.0:
        return ((spread.mean_ms >= window[0]) & (spread.mean_ms <= window[1])).astype(np.float64)
    below, above = (stdtr(spread.dof, (edge - spread.mean_ms) / scale_ms) for edge in window)
    return np.asarray(above - below, dtype=np.float64)


def foretell_misdial(
    breaks: Spread, makes: Spread, break_window: Window, make_window: Window, n_digits: int
) -> float:
    """
    Chance that a call is misdialled, 0 to 1, by the model above.

    Parameters
    ----------
    breaks, makes : Spread
        Of ten breaks and of the nine makes between them.
    break_window, make_window : tuple of float
        ms.
    n_digits : int
        Of the call.
    """
    good_breaks = np.cumprod(find_good_chances(breaks, break_window))
    good_makes = np.cumprod(find_good_chances(makes, make_window))
    digits = good_breaks * np.concatenate(([1.0], good_makes))
    return 1.0 - float(digits.mean()) ** n_digits


def bound_misdial(n_pulses: int, n_bad: int, n_digits: int) -> tuple[float, float]:
    """
    Lowest and highest chance that a call is misdialled, 0 to 1, by counting alone.

    Parameters
    ----------
    n_pulses, n_bad : int
        Seen, and of these outside of the line's window.
    n_digits : int
        Of the call, with 5.5 pulses each.

    Returns
    -------
    low, high : float
        95 %: one-sided where no pulse or every pulse is bad, else two-sided.

    Examples
    --------
    >>> [round(100 * bound) for bound in bound_misdial(100, 0, 10)]
    [0, 81]
    """
    from scipy.special import betaincinv

    tail = RISK if n_bad in (0, n_pulses) else RISK / 2.0
    low = float(betaincinv(n_bad, n_pulses - n_bad + 1, tail)) if n_bad else 0.0
    is_open = n_bad < n_pulses
    high = float(betaincinv(n_bad + 1, n_pulses - n_bad, 1.0 - tail)) if is_open else 1.0
    calls = PULSES_PER_DIGIT * n_digits
    return 1.0 - (1.0 - low) ** calls, 1.0 - (1.0 - high) ** calls
