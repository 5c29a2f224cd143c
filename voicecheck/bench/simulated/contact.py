"""
Bodies that touch: friction that takes up travel, and a diaphragm that strikes a stop.

Both depend on what came before, so they are computed in the order of time on the oversampled
signal. A strike is an impact: the stop holds the diaphragm back, and each blow throws it off
with the speed at which it arrived, so that it rings. Its size, pitch and damping are proposals,
rows `contact,blow_*` of `simulated_parameters.csv`.
"""

from __future__ import annotations

import math

import numpy as np

from voicecheck.records.arrays import Array

BLOW_HZ, BLOW_QUALITY = 4200.0, 4.0
BLOW_SHARE = 0.5
"""Speed given back by a blow re that of the arrival."""
BLOW_SD_DB = 1.5
KNEE_SHARE = 0.04
"""Width of the elastic contact re the travel: bodies give a little before they stop."""


def drag(drive: Array, radii: tuple[float, ...]) -> Array:
    """
    Follow a drive with play: stay put until it has moved on by the radius.

    Parameters
    ----------
    drive : ndarray, shape (n_samples,)
    radii : tuple of float
        Half the play of each follower, in the drive's unit.

    Returns
    -------
    ndarray, shape (n_samples,)
        Mean of the followers, at rest at 0 before; the loop it makes is that of dry friction.

    Notes
    -----
    y[n] = min(x[n] + r, max(x[n] - r, y[n-1])), the play operator of the textbooks on hysteresis.
    Each step clamps, and clamps joined are one clamp: so blocks are joined first and run side by
    side then, which is some ten times as fast as one sample after another.

    Examples
    --------
    >>> drag(np.array([0.0, 1.0, 2.0, 1.5, 0.0]), (0.5,)).tolist()
    [0.0, 0.5, 1.5, 1.5, 0.5]
    """
    n_blocks = max(1, math.isqrt(len(drive)))
    length = -(-len(drive) // n_blocks)
    padded = np.zeros(n_blocks * length)
    padded[: len(drive)] = drive
    steps = np.ascontiguousarray(padded.reshape(n_blocks, length).T)
    radius = np.array(radii)[:, None]
    shape = (len(radii), n_blocks)
    low, high = np.full(shape, -np.inf), np.full(shape, np.inf)
    below, above = np.empty(shape), np.empty(shape)
    for step in steps:
        np.subtract(step, radius, out=below)
        np.add(step, radius, out=above)
        for bound in (low, high):
            np.maximum(bound, below, out=bound)
            np.minimum(bound, above, out=bound)
    state = np.zeros(shape)
    for k in range(1, n_blocks):
        state[:, k] = np.minimum(np.maximum(state[:, k - 1], low[:, k - 1]), high[:, k - 1])
    for step in steps:
        np.maximum(state, np.subtract(step, radius, out=below), out=state)
        np.minimum(state, np.add(step, radius, out=above), out=state)
        np.mean(state, axis=0, out=step)
    return np.ascontiguousarray(steps.T).reshape(-1)[: len(drive)]


def strike(
    travel: Array, stop: float, stiffness: float, rate_hz: float, draw: np.random.Generator | None
) -> Array:
    """
    Travel of a diaphragm with a stop in its way on the positive side.

    Parameters
    ----------
    travel : ndarray, shape (n_samples,)
        Without the stop.
    stop : float
        Where the stop is, in the unit of the travel.
    stiffness : float
        Share of the travel beyond that the stop takes away, 0 to 1.
    rate_hz : float
        Of the samples.
    draw : numpy.random.Generator or None
        Blows differ by 1.5 dB; None for all alike.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    return hold_back(travel, stop, stiffness) - ring(travel, stop, rate_hz, draw)


def hold_back(travel: Array, stop: float, stiffness: float) -> Array:
    """Travel left by an elastic stop without its blows, shape kept."""
    width = KNEE_SHARE * stop
    held = travel.copy()
    # Further than 40 widths below, the knee takes less than 1e-17 of its width.
    near = np.flatnonzero(travel > stop - 40.0 * width)
    held[near] -= stiffness * width * np.logaddexp(0.0, (travel[near] - stop) / width)
    return held


def ring(travel: Array, stop: float, rate_hz: float, draw: np.random.Generator | None) -> Array:
    """What the blows on a stop add: a damped ringing from each arrival, shape kept."""
    from scipy.signal import lfilter

    place, speed = _find_arrivals(travel, stop)
    # No more speed than the travel allows: a diaphragm that is jammed cannot take a run-up.
    most = 2.0 * math.pi * BLOW_HZ / rate_hz * stop
    speed = speed / np.sqrt(1.0 + (speed / most) ** 2)
    if draw is not None:
        speed = speed * 10.0 ** (BLOW_SD_DB * draw.standard_normal(len(speed)) / 20.0)
    first = np.floor(place).astype(np.int64)
    u = place - first
    # A blow falls between samples: a cubic spline spreads it, so that its instant is kept.
    spread = ((1 - u) ** 3, 3 * u**3 - 6 * u**2 + 4, -3 * u**3 + 3 * u**2 + 3 * u + 1, u**3)
    blows = np.zeros(len(travel))
    for k, weight in enumerate(spread):
        blows += np.bincount(first + k - 1, weight * speed / 6.0, minlength=len(travel))
    angle = 2.0 * math.pi * BLOW_HZ / rate_hz
    kept = math.exp(-0.5 * angle / BLOW_QUALITY)
    turn = angle * math.sqrt(1.0 - 0.25 / BLOW_QUALITY**2)
    rising = [0.0, BLOW_SHARE * kept * math.sin(turn) / turn]
    return np.asarray(lfilter(rising, [1.0, -2.0 * kept * math.cos(turn), kept**2], blows))


def _find_arrivals(travel: Array, stop: float) -> tuple[Array, Array]:
    """Where the travel rises through the stop, in samples, and its speed there per sample."""
    is_beyond = travel >= stop
    index = np.flatnonzero(is_beyond[1:] & ~is_beyond[:-1])
    index = index[(index >= 1) & (index < len(travel) - 3)]
    before, here, there, after = (travel[index + k] for k in (-1, 0, 1, 2))
    # The cubic through four samples: a straight line would move the blow by a part of a sample.
    c1 = there - before / 3.0 - here / 2.0 - after / 6.0
    c2 = 0.5 * (before + there) - here
    c3 = (after - before) / 6.0 + 0.5 * (here - there)
    u = (stop - here) / (there - here)
    for _ in range(3):
        miss = ((c3 * u + c2) * u + c1) * u + here - stop
        u = np.clip(u - miss / np.maximum((3.0 * c3 * u + 2.0 * c2) * u + c1, 1e-12), 0.0, 1.0)
    return index + u, np.maximum((3.0 * c3 * u + 2.0 * c2) * u + c1, 0.0)
