"""
The file bench: programme files out, recordings made with any equipment in.

A programme file is an ordinary 24-bit WAV with one chunk of its own after the sound. A text
comment would do for short recipes only: beyond 2,045 characters the usual library returns every
text field empty, without an error.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec
import numpy as np

from voicecheck.bench.audiofile import count_channels, load_recording
from voicecheck.bench.interface import Bench
from voicecheck.bench.riff import open_regular, walk_chunks
from voicecheck.errors import InputError, RecordingError, VoicecheckError
from voicecheck.measure.channels import choose_channel
from voicecheck.programme import make_programme
from voicecheck.records import (
    Calibration,
    Conditions,
    Programme,
    Recipe,
    Recording,
    from_json,
    to_json,
)
from voicecheck.records.arrays import Array
from voicecheck.writing import DOOR, Door

__all__ = [
    "WavFileBench",
    "load_programme",
    "load_recording",
    "load_take",
    "read_recipe",
    "save_programme",
]

RECIPE_CHUNK = b"vcRP"
RECIPE_BYTES = 1 << 20
"""More is no recipe; whatever a header says, no more is read."""
FULL_SCALE_24 = 2**23
MOST_CHANNELS = 16
"""Looked at for the programme; a mixer's file may have more, of which one has to be named."""


class WavFileBench(Bench):
    """
    A bench of recordings that exist already: seat n is file n.

    Parameters
    ----------
    files : sequence of path
    channel : int, optional
        Counted from 1; the one that holds the programme if not given.
    conditions : Conditions, optional
        What is known about how they were taken; path and seat are filled in.
    calibration : Calibration, optional
    """

    def __init__(
        self,
        files: Sequence[str | Path],
        *,
        channel: int | None = None,
        conditions: Conditions | None = None,
        calibration: Calibration | None = None,
    ) -> None:
        self.files = tuple(Path(file) for file in files)
        self.channel = channel
        self.conditions = conditions or Conditions(bench="file")
        self.calibration = calibration

    def play_and_record(
        self,
        programme: Programme,
        *,
        path: str = "transmit",
        seat: int = 1,
    ) -> Recording:
        """
        Load the recording of one seat.

        Raises
        ------
        InputError
            There is no file for this seat, or it has no such channel.
        RecordingError
            The file cannot be used.
        """
        if not 1 <= seat <= len(self.files):
            message = f"seat {seat}: only {len(self.files)} recordings given; name one per seat"
            raise InputError(message)
        recording = load_take(
            self.files[seat - 1],
            programme,
            channel=self.channel,
            conditions=self.conditions.replace(
                path=path, seat=seat, level_dbfs=programme.recipe.level_dbfs
            ),
        )
        if self.calibration is None:
            return recording
        return recording.replace(calibration=self.calibration)


def load_take(
    path: str | Path,
    programme: Programme,
    *,
    channel: int | None = None,
    conditions: Conditions | None = None,
) -> Recording:
    """
    Read the channel of a recording that holds a programme.

    Parameters
    ----------
    path : path
    programme : Programme
    channel : int, optional
        Counted from 1; given, it is taken whatever the others hold.
    conditions : Conditions, optional

    Returns
    -------
    Recording
        With a problem where it is not the first channel, or not the only one.

    Raises
    ------
    InputError, RecordingError
        As `load_recording`.
    """
    n_channels = 1 if channel is not None else count_channels(path)
    if n_channels == 1:
        return load_recording(path, channel=channel or 1, conditions=conditions)

    def load(one: int) -> Recording:
        return load_recording(path, channel=one + 1, conditions=conditions)

    return choose_channel(programme, min(n_channels, MOST_CHANNELS), load)


def read_recipe(path: str | Path) -> Recipe | None:
    """
    The recipe that a file carries, without its sound; `None` where it carries none.

    Parameters
    ----------
    path : path
    """
    try:
        with open_regular(Path(path)) as file:
            for chunk in walk_chunks(file):
                if chunk.name == RECIPE_CHUNK:
                    file.seek(chunk.start)
                    return from_json(file.read(min(chunk.n_bytes, RECIPE_BYTES)), Recipe)
    except (VoicecheckError, msgspec.DecodeError, UnicodeDecodeError):
        return None
    return None


def save_programme(programme: Programme, path: str | Path, door: Door = DOOR) -> None:
    """
    Write a programme file: 24-bit WAV, one channel, its recipe inside.

    Parameters
    ----------
    programme : Programme
    path : path
        Replaced only when the new file is complete.
    door : Door

    Raises
    ------
    InputError
        The file cannot be written there.
    """
    save_with_chunk(programme, RECIPE_CHUNK, to_json(programme.recipe), path, door)


def save_with_chunk(
    programme: Programme, name: bytes, content: bytes, path: str | Path, door: Door = DOOR
) -> None:
    """
    Write the sound of a programme with one chunk of its own behind it.

    Parameters
    ----------
    programme : Programme
    name : bytes
        Of the chunk, four letters.
    content : bytes
    path : path
    door : Door

    Raises
    ------
    InputError
        The file cannot be written there.
    """
    steps = np.rint(programme.samples * FULL_SCALE_24).astype("<i4")
    sound = steps.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    rate_hz = programme.rate_hz
    layout = struct.pack("<HHIIHH", 1, 1, rate_hz, 3 * rate_hz, 3, 24)
    body = b"WAVE" + b"".join(
        _make_chunk(name, content)
        for name, content in ((b"fmt ", layout), (b"data", sound), (name, content))
    )
    door.write(path, _make_chunk(b"RIFF", body))


def load_programme(path: str | Path) -> Programme:
    """
    Make the programme again that a programme file was written from.

    Parameters
    ----------
    path : path
        As `save_programme` wrote it.

    Returns
    -------
    Programme

    Raises
    ------
    RecordingError
        Kind "no-recipe" where the file carries none, "wrong-programme" where its sound is not
        what its recipe says, else as `load_recording`.
    """
    return load_with_chunk(path, RECIPE_CHUNK, lambda text: make_programme(from_json(text, Recipe)))


def load_with_chunk(path: str | Path, name: bytes, make: Callable[[bytes], Programme]) -> Programme:
    """
    Make the programme again that a file's own chunk describes, and hold the sound against it.

    Parameters
    ----------
    path : path
    name : bytes
        Of the chunk.
    make : callable
        Content of the chunk -> programme.

    Returns
    -------
    Programme

    Raises
    ------
    RecordingError
        As `load_programme`.
    """
    path = Path(path)
    with open_regular(path) as file:
        found = [chunk for chunk in walk_chunks(file) if chunk.name == name]
        if not found:
            message = (
                f"{path.name}: carries no recipe, so it is no programme file, or another program "
                "has saved it since; use the file as the signal command wrote it"
            )
            raise RecordingError(message, "no-recipe")
        file.seek(found[0].start)
        text = file.read(min(found[0].n_bytes, RECIPE_BYTES))
    try:
        programme = make(text)
    except (msgspec.DecodeError, UnicodeDecodeError, VoicecheckError) as error:
        message = f"{path.name}: its recipe cannot be used ({error}); write the file again"
        raise RecordingError(message, "no-recipe") from error
    recording = load_recording(path)
    same = recording.rate_hz == programme.rate_hz and _is_rounded(
        recording.samples, programme.samples
    )
    if not same:
        message = (
            f"{path.name}: its sound is not what its own recipe says (cut, re-sampled or changed "
            "in level); write the file again with the signal command"
        )
        raise RecordingError(message, "wrong-programme")
    return programme


def _make_chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def _is_rounded(stored: Array, made: Array) -> bool:
    """Whether stored samples are the made ones in 24-bit steps."""
    if stored.shape != made.shape:
        return False
    return bool(np.max(np.abs(stored - made), initial=0.0) <= 1.0 / FULL_SCALE_24)
