"""Which channel of a recording holds the programme."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voicecheck import inspection
from voicecheck.errors import RecordingError
from voicecheck.records import Problem, Programme, Recording

CROSSTALK_DB = -26.0
"""
Weaker than this against the strongest channel it is what leaks over, and not told.

Unbalanced leads side by side leak at -40 dB and less (judgement).
"""


def choose_channel(programme: Programme, recordings: Sequence[Recording]) -> Recording:
    """
    The channel on which the programme is loudest.

    Parameters
    ----------
    programme : Programme
    recordings : sequence of Recording
        One for each channel of one file, in order.

    Returns
    -------
    Recording
        With a problem of kind "other-channel" where it is not the first one, or where another
        holds the programme, too.
    """
    levels_db = np.array([_find_level_db(programme, one) for one in recordings])
    if np.all(np.isneginf(levels_db)):
        # None holds it: what is said of the loudest will fit.
        levels_db = np.array([_find_power_db(one) for one in recordings])
        return recordings[int(np.argmax(levels_db > np.max(levels_db) - 1.0))]
    best = int(np.argmax(levels_db > np.max(levels_db) - 1.0))
    chosen = recordings[best]
    others = [
        one + 1
        for one, level_db in enumerate(levels_db)
        if one != best
        and level_db > levels_db[best] + CROSSTALK_DB
        and not np.array_equal(recordings[one].samples, chosen.samples)
    ]
    if best == 0 and not others:
        return chosen
    also = f"; channel {', '.join(map(str, others))} holds it, too" if others else ""
    problem = Problem(
        kind="other-channel",
        message=f"the programme is on channel {best + 1} of {len(recordings)}{also}",
        effect=f"channel {best + 1} is used; --channel N chooses another",
    )
    return chosen.replace(problems=(*chosen.problems, problem))


def _find_level_db(programme: Programme, recording: Recording) -> float:
    try:
        arrivals = inspection.find_arrivals(programme, recording)
    except RecordingError:
        return -np.inf
    return max(take.level_db for take in arrivals.takes)


def _find_power_db(recording: Recording) -> float:
    return float(10.0 * np.log10(np.mean(recording.samples**2) + 1e-30))
