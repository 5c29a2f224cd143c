"""
Which window a point of the transfer function takes: least sum of noise and bias.

What one window leaves out is seen in the step to the next longer one, and so on: each step is
known as well as the noise of those two lets it be, whatever the longest window's noise.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import ComplexArray

LAST_STEP_SHARE = 0.1
"""Bias of the longest window as a share of its difference from the next shorter one."""
LAST_FLOOR = 1.2e-4
"""
What the longest window errs at least, relative: 0.001 dB of the sweep's ends, found on plants of
known answer. Where nothing rings for long the shorter ones are nearer.
"""
GROWTH = 1.5
"""
How much larger than the largest step before it a step is believed to be.

Under a decay exp(-t / tau) the steps of windows doubled in length grow by 1.7 at first, then fall;
those of a smooth curve fall at once. A step that seems larger than this is noise.
"""
SURE_RATIO = 1.5
"""
A step's power over that of noise from which it moves the choice.

Whoever goes to a longer window because it differs by chance takes the very noise that made it
differ. What is not sure is still stated.
"""
REACH, LONGEST_REACH = 2, 8
"""Neighbours to either side over which a step is averaged, for the longest windows and shortest."""


def choose_windows(
    values: ComplexArray, variance: Array, scales: tuple[float, ...]
) -> tuple[NDArray[np.intp], Array]:
    """
    Pick the window of each point: least sum of noise and of what the window takes away.

    Parameters
    ----------
    values : ndarray, shape (n_scales, n_points)
        Estimates under each window, shortest first.
    variance : ndarray, shape (n_scales, n_points)
        Their variances by noise.
    scales : tuple of float
        Lengths of the windows.

    Returns
    -------
    choice : ndarray of int, shape (n_points,)
        Row of the window picked.
    bias_db : ndarray, shape (n_points,)
        Typical size of the bias left by it, dB.

    Notes
    -----
    A step is the difference between one window and the next, less the noise of that difference:
    the longer window is flat where the shorter is open, so it is var_long - var_short to a good
    approximation. It is averaged over neighbours, since a bias is smooth and noise is not, over
    the more of them the shorter the windows are.
    """
    size = np.maximum(np.abs(values[scales.index(1.0)]), 1e-300)
    relative = variance / size**2
    steps, sure = [], []
    for row, scale in enumerate(scales[1:]):
        reach = min(LONGEST_REACH, max(REACH, round(2.0 * REACH / scale)))
        power = average_neighbours(np.abs((values[row + 1] - values[row]) / size) ** 2, reach)
        noise = average_neighbours(np.maximum(relative[row + 1] - relative[row], 0.0), reach)
        steps.append(np.sqrt(np.maximum(power - noise, 0.0)))
        sure.append(np.where(power > SURE_RATIO * noise, steps[-1], 0.0))
    choice = np.argmin(relative + _add_all_steps(sure) ** 2, axis=0)
    bias = _add_all_steps(steps)
    return choice, 20.0 / math.log(10.0) * bias[choice, np.arange(values.shape[1])]


def _add_all_steps(steps: list[Array]) -> Array:
    """Bias of every window, shape (n_scales, n_points)."""
    bias = [_add_steps(steps[row:]) for row in range(len(steps))]
    return np.array([*bias, np.hypot(LAST_STEP_SHARE * steps[-1], LAST_FLOOR)])


def _add_steps(steps: list[Array]) -> Array:
    """What the steps to longer windows come to, none believed much larger than those before."""
    total = largest = steps[0]
    for step in steps[1:]:
        believed = np.minimum(step, GROWTH * largest)
        total, largest = total + believed, np.maximum(largest, believed)
    return total


def average_neighbours(values: Array, reach: int) -> Array:
    """Mean over `reach` points to either side, fewer at the ends."""
    if len(values) <= 2 * reach:
        return np.full(len(values), np.mean(values))
    sums = np.convolve(values, np.ones(2 * reach + 1), mode="same")
    return np.asarray(sums / _count_neighbours(len(values), reach))


@lru_cache(maxsize=64)
def _count_neighbours(n_points: int, reach: int) -> Array:
    return np.convolve(np.ones(n_points), np.ones(2 * reach + 1), mode="same")
