"""The stimulus of the electrical check as a file that carries its own recipe."""

from __future__ import annotations

from pathlib import Path

from voicecheck.bench.wavfile import load_with_chunk, save_with_chunk
from voicecheck.checkout.parts.stimulus import make_stimulus
from voicecheck.records import Programme, from_json, to_json
from voicecheck.records.parts import PartsRecipe
from voicecheck.writing import DOOR, Door

STIMULUS_CHUNK = b"vcPT"


def save_stimulus(recipe: PartsRecipe, path: str | Path, door: Door = DOOR) -> Programme:
    """
    Make a stimulus and write it: 24-bit WAV, one channel, its recipe inside.

    Parameters
    ----------
    recipe : PartsRecipe
    path : path
    door : Door

    Returns
    -------
    Programme

    Raises
    ------
    InputError
        A value of the recipe is out of range, or the file cannot be written there.
    BenchError
        The recipe would exceed its own cap.
    """
    programme = make_stimulus(recipe)
    save_with_chunk(programme, STIMULUS_CHUNK, to_json(recipe), path, door)
    return programme


def load_stimulus(path: str | Path) -> Programme:
    """
    Make the stimulus again that a file was written from.

    Parameters
    ----------
    path : path

    Returns
    -------
    Programme

    Raises
    ------
    RecordingError
        As `load_programme`.
    """
    return load_with_chunk(
        path, STIMULUS_CHUNK, lambda text: make_stimulus(from_json(text, PartsRecipe))
    )
