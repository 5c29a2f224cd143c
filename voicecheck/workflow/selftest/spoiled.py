"""
Recordings that were spoiled on purpose, and one that was not.

Each is the known plant's own recording with one thing done to it that goes wrong at real benches.
What is expected is that the program names it, as a problem or by refusing the recording.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from typing import Protocol

import numpy as np

from voicecheck.errors import RecordingError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Block, Measurement, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.workflow.selftest.knownplant import LEAD_SAMPLES, RATE_HZ, KnownPlant, make_noise
from voicecheck.workflow.selftest.tasks import REPORT_IT, Task, Tried

PLANT = KnownPlant(noise_dbfs=-75.0)
Spoil = Callable[[Array, Programme], Array]


class Measure(Protocol):
    """What the recordings are given to."""

    def __call__(self, programme: Programme, recording: Recording) -> Measurement:
        """As `measure_recording`."""


def list_spoiled_tasks(measure: Measure = measure_recording) -> tuple[Task, ...]:
    """
    One task a kind of spoiling, and first the recording that is sound.

    Parameters
    ----------
    measure : callable
        Stands in for the program's own, to see that a blind one is noticed.
    """
    programme = cache(make_programme)
    sound = cache(lambda: PLANT.record(programme()).samples)

    def try_one(spoil: Spoil, expected: str, rate_hz: int = RATE_HZ) -> Callable[[], Tried]:
        def run() -> Tried:
            spoiled = spoil(sound(), programme())
            kinds = find_kinds(measure, programme(), Recording(samples=spoiled, rate_hz=rate_hz))
            return judge(kinds, expected)

        return run

    return tuple(
        Task(group="spoiled", name=expected or "sound", title=title,
             run=try_one(spoil, expected, 44100 if expected == "wrong-rate" else RATE_HZ),
             source="made by the self-test itself")
        for expected, title, spoil in SPOILED
    )  # fmt: skip


def find_kinds(measure: Measure, programme: Programme, recording: Recording) -> list[str]:
    """What the program names in a recording, or refuses it for."""
    try:
        problems = measure(programme, recording).problems
    except RecordingError as error:
        return [error.kind]
    return list(dict.fromkeys(one.kind for one in problems))


def judge(kinds: list[str], expected: str) -> Tried:
    """Whether what was done is named; of a sound recording, whether nothing is."""
    named = ", ".join(kinds) or "nothing"
    if expected in kinds or (not expected and not kinds):
        return Tried(outcome="passes", told=f"named: {named}")
    told = f"named: {named}; {expected or 'nothing'} was expected"
    return Tried(outcome="fails", told=told, advice=REPORT_IT)


def _locate(block: Block) -> tuple[int, int]:
    """First and last sample of a block in the plant's recording."""
    return (
        LEAD_SAMPLES + round(block.start_s * RATE_HZ),
        LEAD_SAMPLES + round(block.end_s * RATE_HZ),
    )


def _within_sweep(programme: Programme, share: float = 0.3) -> int:
    first, last = _locate(programme.blocks_of("sweep")[1])
    return first + round(share * (last - first))


def _leave(sound: Array, programme: Programme) -> Array:
    del programme
    return sound


def _clip(sound: Array, programme: Programme) -> Array:
    del programme
    return np.clip(sound, -0.12, 0.12)


def _drop(sound: Array, programme: Programme) -> Array:
    made, at = sound.copy(), _within_sweep(programme)
    made[at : at + 1500] = 0.0
    return made


def _lose(sound: Array, programme: Programme) -> Array:
    at = _within_sweep(programme)
    return np.delete(sound, slice(at, at + 960))


def _bang(sound: Array, programme: Programme) -> Array:
    made, at = sound.copy(), _within_sweep(programme)
    made[at : at + 3000] += make_noise(3000, -8.0)
    return made


def _stop_early(sound: Array, programme: Programme) -> Array:
    return sound[: _within_sweep(programme)]


def _unplug(sound: Array, programme: Programme) -> Array:
    del programme
    return make_noise(len(sound), -115.0)


def _hum(sound: Array, programme: Programme) -> Array:
    del programme
    time_s = np.arange(len(sound)) / RATE_HZ
    lines = (0.02 / order * np.sin(100.0 * np.pi * order * time_s) for order in (1, 3, 5))
    return np.asarray(sound + sum(lines, np.zeros(len(sound))))


def _twice(sound: Array, programme: Programme) -> Array:
    del programme
    return np.concatenate([sound, 0.9 * sound])


def _other(sound: Array, programme: Programme) -> Array:
    del sound
    other = make_programme(dataclasses.replace(programme.recipe, n_sweeps=2))
    return PLANT.play(other.samples)


def _echo(sound: Array, programme: Programme) -> Array:
    del programme
    return _add_late(sound, 0.4, 0.2)


def _reflect(sound: Array, programme: Programme) -> Array:
    del programme
    return _add_late(sound, 0.01, 0.1)


def _add_late(sound: Array, delay_s: float, ratio: float) -> Array:
    made, late = sound.copy(), round(delay_s * RATE_HZ)
    made[late:] += ratio * sound[:-late]
    return made


def _mute(sound: Array, programme: Programme) -> Array:
    made = sound.copy()
    for block in programme.blocks_of("silence"):
        first, last = _locate(block)
        made[first:last] = 0.0
    return made


def _coarsen(sound: Array, programme: Programme) -> Array:
    del programme
    return np.round(sound * 16.0) / 16.0


def _howl(sound: Array, programme: Programme) -> Array:
    del programme
    time_s = np.arange(len(sound)) / RATE_HZ
    return np.asarray(sound + 0.05 * np.sin(2.0 * np.pi * 1733.0 * time_s) * (time_s > 3.0))


def _talk(sound: Array, programme: Programme) -> Array:
    made = sound.copy()
    first, last = _locate(programme.blocks_of("silence")[0])
    syllables = np.sin(4.0 * np.pi * np.arange(last - first) / RATE_HZ) > 0.0
    made[first:last] += make_noise(last - first, -31.0) * syllables
    return made


SPOILED: tuple[tuple[str, str, Spoil], ...] = (
    ("", "A sound recording, in which nothing may be found", _leave),
    ("clipping", "Too loud for the recorder", _clip),
    ("dropout", "A moment without sound", _drop),
    ("lost-samples", "A stretch that the computer lost", _lose),
    ("burst", "A bang in a sweep", _bang),
    ("stops-early", "Stopped before the end", _stop_early),
    ("no-signal", "Nothing plugged in", _unplug),
    ("mains", "Hum of the mains", _hum),
    ("several-takes", "Two takes in one file", _twice),
    ("other-programme", "Another test signal than the one that is said", _other),
    ("echo", "An echo of the room", _echo),
    ("reflection", "A reflection from nearby", _reflect),
    ("wrong-rate", "A file that says another rate than it has", _leave),
    ("muted", "A recorder that mutes the pauses", _mute),
    ("too-few-steps", "A recording of a few steps high", _coarsen),
    ("howl", "A whistle of feedback", _howl),
    ("sound-in-pause", "Somebody talks in a pause", _talk),
)
"""The kind of problem that has to be named, what was done in words, and how."""
