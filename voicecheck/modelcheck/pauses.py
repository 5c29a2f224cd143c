"""
The pauses compared: silences at start, middle and end, gaps between blocks, before and after.

All of them should hold the same noise. A silence that is louder than the other pauses holds a
sound that is not the set's; one of exact zeros was muted; a line that comes up and stays is a howl.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.modelcheck.slowly import Slowed, compute_power, list_bins_hz
from voicecheck.ranks import find_median
from voicecheck.records import Problem, Programme, Timeline

FRAME_S = 0.023
"""
No whole period of 50 or 60 Hz: the lines of the mains would meet in one phase in every frame of a
pause, and in another one in the next pause, which then looked louder.
"""
EDGE_S, DECAY_S = 0.02, 0.12
"""Left out at the edges of a pause, and after sound, until a handset and its jig are still."""
SHORTEST_S = 0.06
LOWEST_HZ, HIGHEST_HZ = 300.0, 3900.0
LOUDER_DB, LOUDER_SPREADS = 2.5, 4.0
"""How far a silence stands above the usual pause before it holds a sound of its own."""
HOWL_DB, TONAL_SHARE = 6.0, 0.7
STILL_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """
    One pause: its median frame's level in dB, and its mean spectrum.

    `tonal` is the share of the band's power that lies in the strongest line, `still` that of
    the frames without any change.
    """

    name: str
    is_silence: bool
    at_s: float
    level_db: float
    tonal: float
    line_hz: float
    still: float


def list_pauses(programme: Programme, slowed: Slowed, timeline: Timeline) -> list[Pause]:
    """
    Every stretch in which nothing of the programme is heard, in order.

    Parameters
    ----------
    programme : Programme
    slowed : Slowed
    timeline : Timeline

    Returns
    -------
    list of Pause
    """
    blocks = programme.blocks
    opening, closing = programme.blocks_of("mark")
    places = [("lead-in", False, -1e9, opening.start_s - EDGE_S)]
    for block, after in zip(blocks, (*blocks[1:], None), strict=True):
        if block.kind == "silence":
            name = programme.name_block(block)
            places.append((name, True, block.start_s + EDGE_S, block.end_s - EDGE_S))
        elif block.kind == "sweep" and after is not None:
            places.append(("gap", False, block.end_s + DECAY_S, after.start_s - EDGE_S))
    places.append(("tail", False, closing.end_s + DECAY_S, 1e9))
    found = [
        _look_at(slowed, name, is_silence, timeline.locate_s(first), timeline.locate_s(last))
        for name, is_silence, first, last in places
    ]
    return [pause for pause in found if pause is not None]


def _look_at(
    slowed: Slowed, name: str, is_silence: bool, first_s: float, last_s: float
) -> Pause | None:
    """A pause from one instant of the recording to another; `None` where it is too short."""
    samples = slowed.cut(first_s, min(last_s, max(first_s, 0.0) + 3.0))
    size = round(FRAME_S * slowed.low_rate_hz)
    n_frames = len(samples) // size
    if n_frames * FRAME_S < SHORTEST_S:
        return None
    frames = samples[: n_frames * size].reshape(n_frames, size)
    still = float(np.mean(np.ptp(frames, axis=1) == 0.0))
    power = compute_power(frames)
    hz = list_bins_hz(size, slowed.low_rate_hz)
    inside = (hz >= LOWEST_HZ) & (hz <= HIGHEST_HZ)
    band = power[:, inside]
    mean = np.mean(band, axis=0)
    peak = int(np.argmax(mean))
    total = float(np.sum(mean))
    level = find_median(np.sum(band, axis=1))
    return Pause(
        name=name,
        is_silence=is_silence,
        at_s=max(first_s, 0.0),
        level_db=10.0 * np.log10(level + 1e-20),
        tonal=float(np.sum(mean[max(0, peak - 2) : peak + 3])) / total if total > 0.0 else 0.0,
        line_hz=float(hz[inside][peak]),
        still=still,
    )


def find_muted(pauses: list[Pause]) -> list[Problem]:
    """
    Silences of exact zeros.

    Parameters
    ----------
    pauses : list of Pause

    Returns
    -------
    list of Problem
    """
    return [
        Problem(
            kind="muted",
            at_s=pause.at_s,
            message=f"{pause.name} is muted: it holds one unchanging value",
            effect="the noise is withheld; switch off what mutes or cleans up the pauses",
            block=pause.name,
        )
        for pause in pauses
        if pause.is_silence and pause.still > STILL_SHARE
    ]


def find_sounds(pauses: list[Pause]) -> list[Problem]:
    """
    Silences that are louder than the usual pause, and howls that come up.

    Parameters
    ----------
    pauses : list of Pause

    Returns
    -------
    list of Problem
    """
    heard = [pause for pause in pauses if pause.still <= STILL_SHARE]
    if len(heard) < 3:
        return []
    howl = _find_howl(heard)
    if howl is not None:
        return [howl]
    levels = np.array([pause.level_db for pause in heard])
    others = np.array([pause.level_db for pause in heard if not pause.is_silence])
    # Where people talk through all silences only the gaps tell what is usual.
    usual = find_median(others if len(others) >= 3 else levels)
    spread = find_median(np.abs(others - usual)) if len(others) >= 3 else 0.0
    limit_db = usual + max(LOUDER_DB, LOUDER_SPREADS * spread)
    louder = [pause for pause in heard if pause.is_silence and pause.level_db > limit_db]
    return [_tell(pause, pause.level_db - usual) for pause in louder]


def _tell(pause: Pause, louder_db: float) -> Problem:
    """A silence that is louder than the other pauses."""
    if pause.tonal > TONAL_SHARE:
        return Problem(
            kind="howl",
            at_s=pause.at_s,
            message=f"{pause.name} holds a tone near {pause.line_hz:.0f} Hz: howl",
            effect="noise and SINAD are withheld; move mouth and ear apart or turn the gain down",
            block=pause.name,
        )
    return Problem(
        kind="sound-in-pause",
        at_s=pause.at_s,
        message=f"{pause.name} holds a sound that the other pauses do not: it is "
        f"{louder_db:.0f} dB louder",
        effect="the noise is withheld; keep quiet from the first mark to the last",
        block=pause.name,
    )


def _find_howl(heard: list[Pause]) -> Problem | None:
    """A line that holds most of a later pause and was not there in the first ones."""
    first_db = min(pause.level_db for pause in heard[:2])
    for pause in heard[2:]:
        if pause.tonal > TONAL_SHARE and pause.level_db > first_db + HOWL_DB:
            after = [one for one in heard if one.at_s >= pause.at_s]
            if all(one.level_db > first_db + HOWL_DB for one in after):
                return Problem(
                    kind="howl",
                    at_s=pause.at_s,
                    message=f"a tone near {pause.line_hz:.0f} Hz builds up and stays: howl",
                    effect="noise and SINAD are withheld, the figures from there on hold the tone; "
                    "move mouth and ear apart or turn the gain down, and record again",
                    block=pause.name if pause.is_silence else None,
                )
    return None
