"""Dial pulses from a recording of the clicks alone, where no tone runs through the contact."""

from __future__ import annotations

import numpy as np

from voicecheck.checkout.dial.rhythm import find_doubt, measure_spread, weigh_rhythm
from voicecheck.checkout.signals import average, find_spans, work_in_pieces
from voicecheck.errors import RecordingError
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

BLIND_S = 0.012
"""Edges nearer to a click than this belong to it: its bounce and its ringing."""
GROUP_GAP_S = 0.24
CLICK_OVER_FLOOR_DB = 12.0
CLICK_UNDER_LOUDEST_DB = 30.0
SHORTEST_PERIOD_S, LONGEST_PERIOD_S = 0.045, 0.165
CLOSENESS = 0.22
"""Share of a period by which an opening may be early or late."""


def find_openings(recording: Recording) -> list[float]:
    """
    When the contact opened, from clicks.

    A contact clicks when it opens and when it closes. Which of the clicks are openings follows
    from their rhythm: they alternate, unless the closings are too faint to be heard.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    list of float
        Seconds.

    Raises
    ------
    RecordingError
        Kind "no-signal": no clicks; "no-pulses": the clicks do not keep the time of a dial.
    """
    samples, rate_hz = recording.samples, recording.rate_hz
    loud = _find_loud(samples, rate_hz)
    clicks = _find_onsets(loud, rate_hz)
    if not len(clicks):
        raise RecordingError(
            "no clicks in the recording; record the line while the dial returns, at more gain",
            "no-signal",
        )
    groups = np.split(clicks, np.flatnonzero(np.diff(clicks) > GROUP_GAP_S) + 1)
    period_s = _find_period(groups)
    openings = [_follow(group, period_s) for group in groups]
    found = [at_s for digit in openings for at_s in digit]
    rhythm = weigh_rhythm(
        groups,
        openings,
        period_s,
        spread_db=measure_spread(samples, rate_hz, found),
        busy_s=sum(end - first for first, end in loud) / rate_hz / len(clicks),
    )
    doubt = find_doubt(rhythm)
    if doubt:
        raise RecordingError(
            f"no number is told, these may not be a dial's clicks: {doubt}; record the wires, not "
            "the room, and dial a digit of four or more pulses besides",
            "no-pulses",
        )
    return found


def _find_period(groups: list[Array]) -> float | None:
    """Period that most pairs of clicks within a digit have; `None` where no digit has two."""
    apart_s = np.concatenate([(group[None, :] - group[:, None]).ravel() for group in groups])
    longest_s = LONGEST_PERIOD_S
    two_on_s = np.concatenate([group[2:] - group[:-2] for group in groups])
    if len(two_on_s):
        # A contact clicks at most twice in a period; three even steps are no period.
        longest_s = min(longest_s, max(1.25 * float(np.median(two_on_s)), 2.0 * SHORTEST_PERIOD_S))
    candidates_s = np.linspace(SHORTEST_PERIOD_S, longest_s, 121)
    votes = np.array([np.sum(np.abs(apart_s / p - 1.0) < 0.04) for p in candidates_s])
    if np.max(votes) < 2:
        return None
    # An even make and break would make half the period as frequent as the period itself.
    return float(candidates_s[np.flatnonzero(votes >= 0.8 * np.max(votes))[-1]])


def _follow(group: Array, period_s: float | None) -> list[float]:
    """Openings of one digit: from its first click on, one period after another."""
    openings = [float(group[0])]
    if period_s is None:
        return openings
    for at_s in group[1:].tolist():
        periods = (at_s - openings[-1]) / period_s
        if abs(periods - max(1, round(periods))) < CLOSENESS * max(1, round(periods)) ** 0.5:
            openings.append(at_s)
    return openings


def find_clicks(samples: Array, rate_hz: int) -> Array:
    """
    Onsets of clicks.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int

    Returns
    -------
    ndarray, shape (n_clicks,)
        Seconds.
    """
    return _find_onsets(_find_loud(samples, rate_hz), rate_hz)


def _find_loud(samples: Array, rate_hz: int) -> list[tuple[int, int]]:
    """Spans in which something is sudden, by sample."""
    # A difference over 0.2 ms takes hum and rumble out and leaves what is sudden.
    lag = max(1, round(2e-4 * rate_hz))
    length = max(1, round(1e-3 * rate_hz))

    def work(piece: Array, _first: int) -> Array:
        sudden = np.zeros(len(piece))
        sudden[lag:] = piece[lag:] - piece[:-lag]
        return average(sudden**2, length)

    power = work_in_pieces(work, samples, lag + length)
    floor = float(np.median(power))
    loudest = float(np.max(power))
    limit = max(
        floor * 10.0 ** (0.1 * CLICK_OVER_FLOOR_DB),
        loudest * 10.0 ** (-0.1 * CLICK_UNDER_LOUDEST_DB),
    )
    return find_spans(power > limit)


def _find_onsets(loud: list[tuple[int, int]], rate_hz: int) -> Array:
    """Beginnings of those that do not belong to the one before, seconds."""
    found: list[float] = []
    last_s = -1.0
    for first, end in loud:
        if first / rate_hz - last_s > BLIND_S:
            found.append(first / rate_hz)
        last_s = end / rate_hz
    return np.array(found)
