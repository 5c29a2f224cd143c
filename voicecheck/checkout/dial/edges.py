"""
Where a sound stops being what it was: edges of a contact, to a part of a sample.

What is smooth (hum, the ringing of a transformer) is foretold from the samples before, as a random
process of given size and length over white noise, and taken off: the errors of that foretelling
are white while nothing happens. Page's test on their likelihood then says that something has
happened, and how the likelihood falls to either side of the instant says how well it is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array

MEMORY_S = 1.2e-3
"""
The past that a sample is foretold from: within 2 % of an endless one. Half of it does as well;
twice it reaches across a bounce, whose error grows to 0.6 ms, and its interval holds 7 of 8.
"""
SIZES = (0.2, 1.0)
"""
Of what comes with an edge, re the tone: part of a wave, or its crest or a spark. Halved, edges are
found a third less well; doubled, a little better, but a speed's interval holds 44 of 48.
"""
SIDE_SHARE = 0.1
"""
Of a likelihood soon after: less is that edge seen through a tone a wave too early. Half and twice
it change nothing that was tried.
"""
ALARM = 18.0
"""
Log likelihood: e^-18 false edges for each sample looked at, at most (Page 1954, Wald), which is one
in 1400 s at 48 kHz. Half and twice it find the same edges at 20 dB and better; half of it may raise
a false one every 0.2 s.
"""


@dataclass(frozen=True, slots=True)
class Edge:
    """Position in samples, between two of them, and its standard deviation."""

    at: float
    deviation: float


@dataclass(frozen=True, slots=True, eq=False)
class Foretelling:
    """Weights of a sample and of those before it, and the RMS that they leave of the process."""

    weights: Array
    left: float


def make_foretelling(smooth: float, noise: float, rate_hz: int, length_s: float) -> Foretelling:
    """
    Filter that leaves what a smooth process and white noise do not foretell.

    Parameters
    ----------
    smooth, noise : float
        RMS of either, same unit; noise above zero.
    rate_hz : int
    length_s : float
        Over which the process is alike: some 1/6 of the shortest period in it.

    Returns
    -------
    Foretelling
        Of the 1.2 ms before; the first weight is 1.

    Notes
    -----
    Wiener's one-step prediction by the normal equations, of a Gaussian autocorrelation.

    Examples
    --------
    >>> make_foretelling(0.0, 1.0, 8000, 1e-3).left
    1.0
    """
    n = max(4, round(MEMORY_S * rate_hz))
    lag = np.arange(n + 1) / (length_s * rate_hz)
    alike = smooth**2 * np.exp(-0.5 * lag**2)
    apart = np.abs(np.arange(n)[:, None] - np.arange(n)[None, :])
    together = alike[apart] + noise**2 * np.eye(n)
    weights = np.concatenate([[1.0], -np.linalg.solve(together, alike[1:])])
    return Foretelling(weights, float(weights @ alike + noise**2) ** 0.5)


def list_surprises(values: Array, foretelling: Foretelling) -> Array:
    """What is left of each value after foretelling; the first have too short a past."""
    return np.asarray(np.convolve(values, foretelling.weights)[: len(values)])


def find_departure(surprises: Array, noise: float, size: float) -> Edge | None:
    """
    First instant from which the surprises are no longer noise.

    Parameters
    ----------
    surprises : ndarray, shape (n,)
    noise : float
        Their RMS while nothing happens.
    size : float
        Amplitude of the tone that an edge switches.

    Returns
    -------
    Edge or None

    Examples
    --------
    >>> edge = find_departure(np.array([0.1, -0.1, 0.1, 3.0, -2.0, 3.0]), 0.1, 3.0)
    >>> 2 < edge.at < 3, edge.deviation < 1
    (True, True)
    """
    spreads = noise**2 + np.maximum(np.array(SIZES) * size, 2.0 * noise) ** 2
    shrink = 1.0 - noise**2 / spreads
    each = 0.5 * np.outer(surprises**2 / noise**2, shrink) - 0.5 * np.log(spreads / noise**2)
    highest = np.max(each, axis=1)
    gain = highest + np.log(np.mean(np.exp(each - highest[:, None]), axis=1))
    total = np.concatenate([[0.0], np.cumsum(gain)])
    alarm = np.flatnonzero(total - np.minimum.accumulate(total) > ALARM)
    if not len(alarm):
        return None
    before = total[: int(alarm[0])]
    weights = np.exp(np.min(before) - before)
    place = np.arange(len(before))
    return _locate(place, weights)


def _locate(place: NDArray[np.intp], weights: Array) -> Edge:
    """Mean and deviation of where the first sample after the edge is."""
    centre = float(np.average(place, weights=weights))
    variance = float(np.average((place - centre) ** 2, weights=weights))
    # An edge seen first at sample n lies anywhere between n - 1 and n.
    return Edge(centre - 0.5, float(np.sqrt(variance + 1.0 / 12.0)))


def find_tone_edge(
    surprises: Array, noise: float, tone: NDArray[np.complex128], foretelling: Foretelling
) -> Edge | None:
    """
    First instant from which a known tone is in the surprises.

    Parameters
    ----------
    surprises : ndarray, shape (n,)
    noise : float
        Their RMS without the tone.
    tone : ndarray, shape (n,)
        Turning amplitude of the tone, whose real part begins at the edge.
    foretelling : Foretelling
        That made the surprises.

    Returns
    -------
    Edge or None

    Notes
    -----
    The likelihood ratio of a known signal in white noise, over as much of it as says most: a
    contact that opens again soon leaves the rest of the tone out.
    """
    length = min(len(foretelling.weights), len(surprises))
    turn = tone[1] / tone[0]
    answer = np.convolve(foretelling.weights, turn ** np.arange(length))[:length]
    n = len(surprises) - length + 1
    mean = (tone[:n, None] * answer[None, :]).real
    seen = np.lib.stride_tricks.sliding_window_view(surprises, length)
    until = np.cumsum(mean * (seen - 0.5 * mean), axis=1) / noise**2
    gain = np.max(until, axis=1)
    padded = np.concatenate([gain, np.zeros(length - 1)])
    ahead = np.max(np.lib.stride_tricks.sliding_window_view(padded, length), axis=1)
    alarm = np.flatnonzero(gain > np.maximum(ALARM, SIDE_SHARE * ahead))
    if not len(alarm):
        return None
    first = int(alarm[0])
    # An alarm comes up to half the length early, where what follows outweighs what is not there.
    # All that compete are judged by the same sound: up to where the first of them ends.
    rivals = until[first : first + 2 * length // 3]
    near = np.array([np.max(row[: length - late]) for late, row in enumerate(rivals)])
    place = first + np.arange(len(near))
    return _locate(place, np.exp(near - np.max(near)))
