"""Which output is heard at which input, and whether the system between them alters the sound."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array

TONE_HZ, HIGH_HZ = 1000.0, (5000.0, 10000.0)
SOFT_DBFS, LOUD_DBFS, STEADY_DBFS, HIGH_DBFS = -45.0, -25.0, -35.0, -35.0
PARTS: tuple[tuple[str, float], ...] = (
    ("silence", 0.6), ("soft", 1.0), ("pause", 0.3), ("loud", 1.0), ("gap", 0.3), ("steady", 3.0),
    ("rest", 0.3), ("high", 0.6), ("end", 0.6),
)  # fmt: skip
"""Parts of the sound in their order, s: soft enough that no gain has to be turned down first."""
HEARD_DB, STEP_DB, FADE_DB, LOST_DB = 15.0, 1.5, 1.5, 45.0
"""
Over the silence to be heard; what steps and a steady tone may be off; what treble may lose (PROP):
a microphone before a small loudspeaker keeps far more at 10 kHz than a mode for speech, which keeps
nothing.
"""
VOICE_DBFS, VOICE_DB = -55.0, 10.0
FRAME_S, EDGE_S, MOST_DELAY_S = 0.01, 0.2, 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """
    What one input heard of one output.

    Parameters
    ----------
    over_db : float
        Of the loud tone over the silence.
    level_dbfs : float
        Of the loud tone.
    step_db : float
        Between the soft and the loud tone; 20 where nothing alters it.
    fade_db : float
        From the beginning to the end of a steady tone; 0 where nothing alters it.
    lost_db : float
        Of the treble at 10 kHz against that at 5 kHz.
    """

    over_db: float
    level_dbfs: float
    step_db: float
    fade_db: float
    lost_db: float

    @property
    def is_heard(self) -> bool:
        """Whether the output reaches the input at all."""
        return self.over_db >= HEARD_DB


@dataclass(frozen=True, slots=True, kw_only=True)
class Wires:
    """
    Channels of a bench as they were found, from 1; `None` for what was not heard.

    Parameters
    ----------
    mouth_channel, line_drive_channel, line_tap_channel, ear_channel : int or None
    """

    mouth_channel: int | None
    line_drive_channel: int | None
    line_tap_channel: int | None
    ear_channel: int | None


def make_probe(rate_hz: int) -> Array:
    """
    The sound that an output plays, shape (n_frames,), at most -25 dBFS.

    Parameters
    ----------
    rate_hz : int
    """
    levels = {"soft": SOFT_DBFS, "loud": LOUD_DBFS, "steady": STEADY_DBFS}
    parts = []
    for name, length_s in PARTS:
        time_s = np.arange(round(length_s * rate_hz)) / rate_hz
        sound = np.zeros(time_s.size)
        if name in levels:
            sound = _get_peak(levels[name]) * np.sin(2.0 * math.pi * TONE_HZ * time_s)
        elif name == "high":
            tones = [np.sin(2.0 * math.pi * hz * time_s) for hz in HIGH_HZ]
            sound = _get_peak(HIGH_DBFS) * np.sum(tones, axis=0)
        parts.append(sound * _make_edges(sound.size, rate_hz))
    return np.concatenate(parts)


def judge_probe(captured: Array, rate_hz: int) -> Heard:
    """
    What an input heard of the probe.

    Parameters
    ----------
    captured : ndarray, shape (n_frames,)
        From the first frame that was played on, full-scale units; the way may delay it by up to
        0.6 s.
    rate_hz : int

    Returns
    -------
    Heard
    """
    level_db = _follow_tone(captured, rate_hz, TONE_HZ)
    delay = _find_delay(level_db, rate_hz)

    def read(part: str, *, at: slice = slice(None), hz: float = TONE_HZ) -> float:
        curve = level_db if hz == TONE_HZ else _follow_tone(captured, rate_hz, hz)
        first, last = _find_frames(part, delay)
        inner = curve[first:last][at]
        return float(np.median(inner)) if inner.size else -200.0

    loud_dbfs = read("loud")
    n_edge = round(0.5 / FRAME_S)
    return Heard(
        over_db=loud_dbfs - read("silence"),
        level_dbfs=loud_dbfs,
        step_db=loud_dbfs - read("soft"),
        fade_db=read("steady", at=slice(-n_edge, None)) - read("steady", at=slice(0, n_edge)),
        lost_db=read("high", hz=HIGH_HZ[0]) - read("high", hz=HIGH_HZ[1]),
    )


def find_voice(captured: Array, rate_hz: int) -> int | None:
    """
    The input that hears somebody speak or tap: it is loud at times, and quiet between.

    Parameters
    ----------
    captured : ndarray, shape (n_frames, n_inputs)
    rate_hz : int

    Returns
    -------
    int or None
        From 1; `None` where no input hears anybody.
    """
    n_frame = round(0.05 * rate_hz)
    n = captured.shape[0] // n_frame
    if not n:
        return None
    blocks = captured[: n * n_frame].reshape(n, n_frame, captured.shape[1])
    # Without its mean: an input's offset is no voice.
    power = np.mean((blocks - blocks.mean(axis=1, keepdims=True)) ** 2, axis=1)
    level_db = 10.0 * np.log10(power + 1e-20)
    loud, quiet = np.percentile(level_db, 90, axis=0), np.percentile(level_db, 10, axis=0)
    speaks = (loud >= VOICE_DBFS) & (loud - quiet >= VOICE_DB)
    if not speaks.any():
        return None
    return int(np.argmax(np.where(speaks, loud, -np.inf))) + 1


def find_wires(heard: Mapping[tuple[int, int], Heard], ear: int | None) -> Wires:
    """
    The channels of a bench, with the ear's microphone before the mouth and the line looped back.

    Parameters
    ----------
    heard : mapping of (int, int) to Heard
        By output and input, from 1.
    ear : int or None
        The input that hears a voice.
    """
    reached = {key: one for key, one in heard.items() if one.is_heard}

    def find_loudest(inputs: Sequence[int]) -> tuple[int, int] | None:
        some = {key: one.level_dbfs for key, one in reached.items() if key[1] in inputs}
        return max(some, key=lambda key: some[key], default=None)

    every = sorted({one for _, one in heard})
    at_ear = find_loudest([ear]) if ear is not None else None
    line = find_loudest([one for one in every if one != ear])
    mouth = at_ear[0] if at_ear else None
    return Wires(
        mouth_channel=mouth,
        line_drive_channel=line[0] if line else None,
        line_tap_channel=line[1] if line else None,
        ear_channel=ear,
    )


def list_enhancements(heard: Heard) -> tuple[str, ...]:
    """What the system does to the sound on its way, in words; none where it does nothing."""
    found = []
    if abs(heard.step_db - (LOUD_DBFS - SOFT_DBFS)) > STEP_DB:
        found.append(
            f"a step of {LOUD_DBFS - SOFT_DBFS:.0f} dB came back as {heard.step_db:.1f} dB: "
            "automatic gain control is on"
        )
    if heard.fade_db < -FADE_DB:
        found.append(
            f"a steady tone faded by {-heard.fade_db:.1f} dB in three seconds: noise suppression "
            "is on"
        )
    elif heard.fade_db > FADE_DB:
        found.append(
            f"a steady tone grew by {heard.fade_db:.1f} dB in three seconds: automatic gain "
            "control is on"
        )
    if heard.lost_db > LOST_DB:
        found.append(
            "nothing of 10 kHz came back: the device runs in a mode for speech, or through a "
            "mixer at a low rate"
        )
    return tuple(found)


def _get_peak(level_dbfs: float) -> float:
    return float(10.0 ** (level_dbfs / 20.0))


def _make_edges(n: int, rate_hz: int) -> Array:
    """Raised-cosine edges of 10 ms, so that no part clicks."""
    edge = min(round(0.01 * rate_hz), n // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    shape = np.ones(n)
    shape[:edge], shape[n - edge :] = rise, rise[::-1]
    return shape


def _follow_tone(captured: Array, rate_hz: int, hz: float) -> Array:
    """Level of a tone in frames of 10 ms, dB re a full-scale sine."""
    n_frame = round(FRAME_S * rate_hz)
    n = captured.size // n_frame
    turn = np.exp(-2j * math.pi * hz * np.arange(n * n_frame) / rate_hz)
    mean = (captured[: n * n_frame] * turn).reshape(n, n_frame).mean(axis=1)
    level_db: Array = 20.0 * np.log10(2.0 * np.abs(mean) + 1e-10)
    return level_db


def _find_frames(part: str, delay: int) -> tuple[int, int]:
    """Frames of a part without its edges."""
    names = [name for name, _ in PARTS]
    start_s = math.fsum(length_s for _, length_s in PARTS[: names.index(part)])
    length_s = dict(PARTS)[part]
    edge = round(min(EDGE_S, length_s / 4) / FRAME_S)
    first = delay + round(start_s / FRAME_S) + edge
    return first, delay + round((start_s + length_s) / FRAME_S) - edge


def _find_delay(level_db: Array, rate_hz: int) -> int:
    """Frames by which what was heard lies behind what was played."""
    played = _follow_tone(make_probe(rate_hz), rate_hz, TONE_HZ)
    is_on = (played > SOFT_DBFS - 10.0).astype(float)
    most = round(MOST_DELAY_S / FRAME_S)
    heard = np.maximum(level_db, np.median(level_db) - 40.0)
    fits = []
    for delay in range(most):
        n = min(is_on.size, heard.size - delay)
        on = is_on[:n]
        part = heard[delay : delay + n]
        # Where the tone is on it is louder on the average; the right delay parts them best.
        fits.append(float(part[on > 0.5].mean() - part[on < 0.5].mean()) if n > 1 else -math.inf)
    return int(np.argmax(fits))
