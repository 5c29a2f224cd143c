"""Record a plant with something that spoils the take."""

from __future__ import annotations

from typing import Any

import numpy as np

from plants import spoil_levels, spoil_sounds, spoil_takes
from plants.spoiler import SEVERITIES, SPOILERS, Done

__all__ = ["MODULES", "SEVERITIES", "SPOILERS", "Done", "heard_range_db", "record_spoiled"]

MODULES = (spoil_takes, spoil_levels, spoil_sounds)
"""Loading them fills the list of kinds."""


def record_spoiled(take: Any, kind: Any, severity: Any, rng: Any) -> Any:
    """
    Spoil a take: the recording (samples, or samples by channels) and what was done.

    The set's truth stays that of the take. Kinds that spoil what is played, or take the set away,
    play anew. Between two severities lie numbers: 0 is light, 1 medium, 2 heavy.
    """
    spoil, played = SPOILERS[kind], take.played
    if spoil.stage == "drive":
        driven, done = spoil(played.samples, played, severity, rng)
        return take.plant.play(driven, played.rate_hz, rng), done
    source = played.samples if spoil.stage == "plant" else take.samples
    return spoil(source, played, severity, rng)


def heard_range_db(take: Any, done: Any, frequency_hz: Any) -> Any:
    """
    Start, mean and end of the response as the recording holds it: the set's, and known gains.

    What bends the curve otherwise (an echo, a tilted microphone) is not in it: the set's truth
    stays what it was, and the recording is wrong about it.
    """
    added_db = done.size.get("gain_db", 0.0)
    if "gains_db" in done.size:
        added_db = np.reshape(done.size["gains_db"], (-1, 1))
    if "loss_db" in done.size:
        at_s = take.played.sweep_instants_s(frequency_hz)
        added_db = -done.size["loss_db"] * at_s / done.size["duration_s"]
    return take.response_range_db(frequency_hz, added_db)
