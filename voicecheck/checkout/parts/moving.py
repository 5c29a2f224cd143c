"""What changes in time or with level: a contact that is moved, a limiter that is driven."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.flex.measure import measure_flex
from voicecheck.checkout.parts.lockin import Complex, Ratios, lock_in
from voicecheck.checkout.parts.stimulus import CONTACT_HZ, FADE_S, STEP_S
from voicecheck.checkout.signals import demodulate
from voicecheck.errors import RecordingError
from voicecheck.records import Block, Programme, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.records.parts import PartEvent

HOP_S, N_PERIODS = 0.001, 4
EVENT_RATE_HZ = 8000
STEP_LEAD_S, STEP_WINDOW_S = 0.03, 0.1
ONSET_DB = 1.0
"""A limiter acts where its impedance has fallen by 1 dB (PROP)."""
ASYMMETRY_DB = 0.5
"""What the middle between both sides, which an input that passes no direct current loses, adds."""
LEAST_LEVEL = 30.0
"""A step counts that stands so far above its noise."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """
    A contact over the long tone.

    Parameters
    ----------
    usual, worst : Ratios
        One tone each: while it is quiet, and at the highest.
    events : tuple of PartEvent
    """

    both: Ratios
    events: tuple[PartEvent, ...]


def watch_contact(programme: Programme, recording: Recording, timeline: Timeline) -> Held:
    """
    Ratio of the channels while a contact is moved, and what happened.

    Parameters
    ----------
    programme : Programme
    recording : Recording
        Of two channels.
    timeline : Timeline

    Returns
    -------
    Held
        Its ratios are two: the usual one, then the one that is nearest to open.

    Raises
    ------
    RecordingError
        The take ends before.
    """
    (block,) = programme.blocks_of("hold")
    start_s = timeline.locate_s(block.start_s + 0.1)
    cut = slice(
        round(start_s * recording.rate_hz),
        round(timeline.locate_s(block.end_s - 0.1) * recording.rate_hz),
    )
    if recording.second is None or cut.stop > len(recording.samples):
        raise RecordingError("the recording ends within the long tone; record again", "stops-early")
    tone_hz, hop = CONTACT_HZ / timeline.stretch, round(HOP_S * recording.rate_hz)
    first, second = (
        demodulate(one[cut], recording.rate_hz, tone_hz, N_PERIODS)[hop * 20 : -hop * 20 : hop]
        for one in (recording.samples, recording.second)
    )
    moving = second / np.where(np.abs(first) > 0.0, first, 1e-12)
    usual = complex(np.median(moving.real), np.median(moving.imag))
    worst = complex(moving[int(np.argmax(np.abs(moving)))])
    quiet = 1.4826 * float(np.median(np.abs((moving - usual).real)))
    n_apart = max(1, len(moving) // (2 * N_PERIODS))
    both = Ratios(
        frequency_hz=np.array([CONTACT_HZ, CONTACT_HZ]),
        ratio=np.array([usual, worst]),
        sd=np.array([1.2533 * quiet / np.sqrt(n_apart), quiet]),
        first=np.abs(first[:2]),
        second=np.abs(second[:2]),
    )
    return Held(both=both, events=_find_events(moving, start_s + 20 * HOP_S))


def _find_events(moving: Complex, start_s: float) -> tuple[PartEvent, ...]:
    """Events of the current that a contact lets through, by the finder of cord and hook."""
    count = round(len(moving) * HOP_S * EVENT_RATE_HZ)
    at = np.arange(count) / (HOP_S * EVENT_RATE_HZ)
    through = np.interp(at, np.arange(len(moving)), np.abs(1.0 - moving))
    tone = 0.5 * through * np.sin(2.0 * np.pi * CONTACT_HZ * np.arange(count) / EVENT_RATE_HZ)
    try:
        watched = measure_flex(Recording(samples=tone, rate_hz=EVENT_RATE_HZ), tone_hz=CONTACT_HZ)
    except RecordingError:
        # No current at all: the problems of the take say so.
        return ()
    return tuple(
        PartEvent(
            kind=one.kind,
            at_s=start_s + one.at_s,
            duration_ms=one.duration_ms,
            depth_db=one.depth_db,
        )
        for one in watched.events
        if one.kind != "burst"
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steps:
    """
    A part driven harder and harder.

    Parameters
    ----------
    ratios : Ratios
        One for each step, all at one frequency.
    asymmetry_db : float
        Positive over negative peak at the loudest step.
    """

    ratios: Ratios
    asymmetry_db: float


def measure_steps(programme: Programme, recording: Recording, timeline: Timeline) -> Steps:
    """
    Ratio of the channels at every level step.

    Parameters
    ----------
    programme : Programme
    recording : Recording
        Of two channels.
    timeline : Timeline

    Returns
    -------
    Steps

    Raises
    ------
    RecordingError
        The take ends before, or no step stands above the noise.
    """
    (block,) = programme.blocks_of("steps")
    n_steps = round((block.end_s - block.start_s) / STEP_S)
    amplitudes, noise = [], []
    for step in range(n_steps):
        at_s = timeline.locate_s(block.start_s + step * STEP_S + STEP_LEAD_S)
        both, sd = lock_in(recording, CONTACT_HZ / timeline.stretch, at_s, STEP_WINDOW_S)
        amplitudes.append(both)
        noise.append(sd)
    values, sds = np.array(amplitudes), np.array(noise)
    heard = np.all(np.abs(values) > LEAST_LEVEL * sds, axis=1)
    if np.sum(heard) < 3:
        raise RecordingError(
            "the level steps do not stand above the noise across the part; play louder", "no-signal"
        )
    values, sds = values[heard], sds[heard]
    ratio = values[:, 1] / values[:, 0]
    ratios = Ratios(
        frequency_hz=np.full(len(ratio), CONTACT_HZ),
        ratio=ratio,
        sd=np.hypot(sds[:, 1], np.abs(ratio) * sds[:, 0]) / np.abs(values[:, 0]),
        first=np.abs(values[:, 0]),
        second=np.abs(values[:, 1]),
    )
    return Steps(ratios=ratios, asymmetry_db=_compare_peaks(recording, timeline, block))


def _compare_peaks(recording: Recording, timeline: Timeline, block: Block) -> float:
    """Positive over negative peak across the part, dB, from where nothing stands before it."""
    last = round(timeline.locate_s(block.end_s - FADE_S - 0.02) * recording.rate_hz)
    first = last - round(0.08 * recording.rate_hz)
    before = recording.samples[first:last] - np.mean(recording.samples[first:last])
    across: Array = np.zeros(0) if recording.second is None else recording.second[first:last]
    near = np.abs(before) < 0.1 * np.max(np.abs(before))
    middle = float(np.polyfit(before[near], across[near], 1)[1])
    high, low = np.percentile(across - middle, (99.0, 1.0))
    return float(20.0 * np.log10(max(high, 1e-9) / max(-low, 1e-9)))


def find_onset(level_db: Array, size_db: Array) -> float:
    """
    Level across the part at which its impedance has fallen by 1 dB; NaN where it never does.

    Examples
    --------
    >>> level_db = np.array([-40.0, -30.0, -20.0, -18.0])
    >>> find_onset(level_db, np.array([0.0, 0.0, 0.0, -2.0]))
    -19.0
    """
    small = float(np.median(size_db[: max(3, len(size_db) // 3)]))
    fallen = np.flatnonzero(size_db < small - ONSET_DB)
    if len(fallen) == 0 or fallen[0] == 0:
        return float("nan")
    at = int(fallen[0])
    share = (small - ONSET_DB - size_db[at - 1]) / (size_db[at] - size_db[at - 1])
    return float(level_db[at - 1] + share * (level_db[at] - level_db[at - 1]))
