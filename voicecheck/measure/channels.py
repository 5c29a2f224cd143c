"""Which channel of a recording holds the programme."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from voicecheck import inspection
from voicecheck.errors import RecordingError
from voicecheck.records import Problem, Programme, Recording

CROSSTALK_DB = -26.0
"""
Weaker than this against the strongest channel it is what leaks over, and not told.

Unbalanced leads side by side leak at -40 dB and less (judgement).
"""


def choose_channel(
    programme: Programme, n_channels: int, load: Callable[[int], Recording]
) -> Recording:
    """
    The channel on which the programme is loudest.

    Parameters
    ----------
    programme : Programme
    n_channels : int
    load : callable
        Gives the recording of a channel, counted from 0. One is held at a time.

    Returns
    -------
    Recording
        With a problem of kind "other-channel" where it is not the first one, or where another
        holds the programme, too.
    """
    heard = [_listen(programme, load(one)) for one in range(n_channels)]
    levels_db = np.array([one.level_db for one in heard])
    if np.all(np.isneginf(levels_db)):
        # None holds it: what is said of the loudest will fit.
        levels_db = np.array([one.power_db for one in heard])
        return load(int(np.argmax(levels_db > np.max(levels_db) - 1.0)))
    best = int(np.argmax(levels_db > np.max(levels_db) - 1.0))
    chosen = load(best)
    others = [
        one + 1
        for one, level_db in enumerate(levels_db)
        if one != best
        and level_db > levels_db[best] + CROSSTALK_DB
        and heard[one].digest != heard[best].digest
    ]
    if best == 0 and not others:
        return chosen
    also = f"; channel {', '.join(map(str, others))} holds it, too" if others else ""
    problem = Problem(
        kind="other-channel",
        message=f"the programme is on channel {best + 1} of {n_channels}{also}",
        effect=f"channel {best + 1} is used; --channel N chooses another",
    )
    return chosen.replace(problems=(*chosen.problems, problem))


@dataclass(frozen=True, slots=True)
class _Heard:
    """What one channel holds: the programme's level, the power of all, and which samples."""

    level_db: float
    power_db: float
    digest: bytes


def _listen(programme: Programme, recording: Recording) -> _Heard:
    return _Heard(
        level_db=_find_level_db(programme, recording),
        power_db=_find_power_db(recording),
        digest=hashlib.blake2b(recording.samples.tobytes()).digest(),
    )


def _find_level_db(programme: Programme, recording: Recording) -> float:
    try:
        arrivals = inspection.find_arrivals(programme, recording)
    except RecordingError:
        return -np.inf
    return max(take.level_db for take in arrivals.takes)


def _find_power_db(recording: Recording) -> float:
    return float(10.0 * np.log10(np.mean(recording.samples**2) + 1e-30))
