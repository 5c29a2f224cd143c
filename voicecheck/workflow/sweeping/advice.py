"""What a seat that is done says about the next one."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from voicecheck.records import Measurement

MOVED_DB = 3.0
"""A seat that differs by that much from the last one is worth a look at the jig (PROP)."""
LOW_END = {
    "transmit": "check the mouthpiece's distance from the mouth and the clamp",
    "receive": "check the seal",
    "sidetone": "check the seal, then the mouthpiece's distance",
    "loop": "check the plugs",
}
JIG_FIRST = {
    "clipping": "turn the input's gain down; a calibration made before that no longer holds",
    "no-signal": "look at the plugs, the feed and mute buttons",
    "mains": "look for a ground loop or a transformer near the leads",
    "lost-samples": "close other programs that use sound, then repeat",
}


def find_spread_db(measurements: Sequence[Measurement]) -> float | None:
    """
    Standard deviation of the level at 1 kHz over seats, dB.

    Returns
    -------
    float or None
        `None` below two seats that have that level.
    """
    levels_db = [one.bands.at_1khz_db for one in measurements]
    known_db = [level_db for level_db in levels_db if level_db is not None]
    return statistics.stdev(known_db) if len(known_db) > 1 else None


def advise(
    measurements: Sequence[Measurement], path: str, transmitter: str = ""
) -> tuple[str, ...]:
    """
    What to do before the next seat, the jig suspected before the set.

    Parameters
    ----------
    measurements : sequence of Measurement
        The seats so far, the newest last.
    path : str
    transmitter : str
        Of the set type; a carbon transmitter changes with every conditioning.

    Returns
    -------
    tuple of str
        Empty where nothing stands out.
    """
    if not measurements:
        return ()
    kinds = {problem.kind for problem in measurements[-1].problems}
    advice = [remedy for kind, remedy in JIG_FIRST.items() if kind in kinds]
    if len(measurements) < 2:
        return tuple(advice)
    last, new = measurements[-2], measurements[-1]
    level_db, was_db = new.bands.mid_db, last.bands.mid_db
    if level_db is None or was_db is None:
        return tuple(advice)
    moved_db = level_db - was_db
    if abs(moved_db) >= MOVED_DB:
        is_carbon = transmitter == "carbon" and path in {"transmit", "sidetone"}
        remedy = (
            "turn it over again, three turns; carbon does that; one more seat would help"
            if is_carbon
            else "check plugs, feed and volume controls"
        )
        advice.append(f"the level differs by {moved_db:+.1f} dB from the last seat: {remedy}")
    if new.bands.low_db is not None and last.bands.low_db is not None:
        low_db = (new.bands.low_db - level_db) - (last.bands.low_db - was_db)
        if abs(low_db) >= MOVED_DB:
            advice.append(
                f"seat again: the low end differs by {low_db:+.1f} dB from the last seat, "
                f"{LOW_END.get(path, LOW_END['loop'])}"
            )
    return tuple(advice)
