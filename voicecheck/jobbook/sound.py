"""
A recording as FLAC: 24 bit, with its recipe, conditions and calibration inside.

The file's comment is one JSON object, schema `voicecheck.recording/1`:

    {"schema", "version", "rate_hz", "channel", "scale", "recipe": {...}, "conditions": {...},
     "calibration": {...} or null, "problems": [...]}

A sample in full-scale units is the stored integer / 2**23 / `scale`. `scale` is 1 unless the
recording went beyond full scale (a float source); then it is a power of two, so that nothing but
the last bit is lost. A stray file is therefore enough to analyse it again.
"""

from __future__ import annotations

import dataclasses
import io
import math
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

import voicecheck
from voicecheck.errors import JobBookError, RecordingError
from voicecheck.jobbook.rows import encode_record
from voicecheck.records import Calibration, Conditions, Problem, Recipe, Recording, from_json

SCHEMA = "voicecheck.recording/1"
FULL_SCALE = 1 << 23
BLOCK_SAMPLES = 1 << 18


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What travels in a recording's file beside the samples."""

    schema: str
    version: str
    rate_hz: int
    channel: int
    scale: float
    recipe: Recipe
    conditions: Conditions
    calibration: Calibration | None
    problems: tuple[Problem, ...]


def encode_recording(recording: Recording, recipe: Recipe) -> tuple[bytes, Recording, Label]:
    """
    Bytes of the FLAC file of a recording.

    Parameters
    ----------
    recording : Recording
        Samples of shape (n_samples,), full-scale units, of any size.
    recipe : Recipe
        Of the programme that was played.

    Returns
    -------
    data : bytes
        The same for the same recording, so that saving twice keeps one file.
    stored : Recording
        With the samples as they are stored, `sha256` still that of the source.
    label : Label

    Raises
    ------
    RecordingError
        No samples, a sample that is not a number, or a rate that FLAC does not have.
    """
    scale = _choose_scale(recording)
    label = Label(
        schema=SCHEMA,
        version=voicecheck.__version__,
        rate_hz=recording.rate_hz,
        channel=recording.channel,
        scale=scale,
        recipe=recipe,
        conditions=recording.conditions,
        calibration=recording.calibration,
        problems=recording.problems,
    )
    steps = np.rint(recording.samples * (scale * FULL_SCALE))
    steps = np.clip(steps, -FULL_SCALE, FULL_SCALE - 1).astype(np.int32)
    data = _write_flac(steps, label)
    written, _ = _read_flac(data)
    if not np.array_equal(written, steps):
        raise RecordingError("the recording did not survive being written as FLAC; nothing saved")
    return data, recording.replace(samples=steps / (FULL_SCALE * scale)), label


def inspect_recording(path: Path, longest_samples: int) -> tuple[Label, int]:
    """
    What a recording's file says of itself, and how many samples it really holds.

    Parameters
    ----------
    path : Path
        Read piece by piece: a few bytes of FLAC may be hours of silence.
    longest_samples : int

    Returns
    -------
    label : Label
    n_samples : int

    Raises
    ------
    JobBookError
        Not a recording of this program, not readable, or longer than that.
    """
    import soundfile

    try:
        with soundfile.SoundFile(path) as flac:
            if flac.format != "FLAC" or flac.channels != 1:
                raise JobBookError("is no FLAC of one channel")
            label = _read_label(str(flac.comment))
            if label.rate_hz != flac.samplerate:
                raise JobBookError(f"rate_hz: need {flac.samplerate}, got {label.rate_hz}")
            n_samples = 0
            while n_new := len(flac.read(BLOCK_SAMPLES, dtype="int32")):
                n_samples += n_new
                if n_samples > longest_samples:
                    raise JobBookError(f"holds more than {longest_samples} samples")
    except (soundfile.LibsndfileError, msgspec.MsgspecError) as error:
        raise JobBookError(f"cannot be read ({error})") from error
    return label, n_samples


def _read_label(comment: str) -> Label:
    label = from_json(comment, Label)
    fits = math.isfinite(label.scale) and 0.0 < label.scale <= 1.0
    if not fits or math.log2(label.scale) % 1.0:
        raise JobBookError(f"scale: need a power of two up to 1, got {label.scale}")
    if label.channel < 1:
        raise JobBookError(f"channel: need 1 or more, got {label.channel}")
    return label


def decode_recording(data: bytes, sha256: str) -> tuple[Recording, Label]:
    """
    Read the bytes of a recording's file back.

    Returns
    -------
    recording : Recording
    label : Label
        With the recipe.

    Raises
    ------
    JobBookError
        Not a recording of this program, or not readable.
    """
    import soundfile

    try:
        steps, comment = _read_flac(data)
        label = from_json(comment, Label)
    except (soundfile.LibsndfileError, msgspec.MsgspecError) as error:
        raise JobBookError(
            f"recording {sha256[:12]}.flac cannot be read ({error}); the rest of the book is "
            "untouched; restore this file from a backup"
        ) from error
    recording = Recording(
        samples=steps / (FULL_SCALE * label.scale),
        rate_hz=label.rate_hz,
        channel=label.channel,
        sha256=sha256,
        conditions=label.conditions,
        calibration=label.calibration,
        problems=label.problems,
    )
    return recording, label


def _choose_scale(recording: Recording) -> float:
    """Largest power of two, 1 at most, that keeps every sample inside full scale."""
    samples = recording.samples
    if samples.ndim != 1 or len(samples) == 0:
        raise RecordingError(
            f"recording: need one channel with samples, got shape {samples.shape}; nothing saved"
        )
    wrong = np.flatnonzero(~np.isfinite(samples))
    if len(wrong):
        at_s = float(wrong[0] / recording.rate_hz)
        raise RecordingError(
            f"recording: {len(wrong)} samples are not numbers, the first at {at_s:.3f} s; "
            "nothing saved; record again",
            at_s=at_s,
        )
    peak = float(np.max(np.abs(samples)))
    return 1.0 if peak <= 1.0 else 2.0 ** -math.ceil(math.log2(peak))


def _write_flac(steps: NDArray[np.int32], label: Label) -> bytes:
    import soundfile

    file = io.BytesIO()
    try:
        with soundfile.SoundFile(
            file, "w", samplerate=label.rate_hz, channels=1, format="FLAC", subtype="PCM_24"
        ) as flac:
            flac.comment = encode_record(label)
            flac.write(steps << 8)
    except (soundfile.LibsndfileError, TypeError) as error:
        raise RecordingError(
            f"recording: {label.rate_hz} samples per second cannot be kept as FLAC ({error})"
        ) from error
    return file.getvalue()


def _read_flac(data: bytes) -> tuple[NDArray[np.int32], str]:
    import soundfile

    with soundfile.SoundFile(io.BytesIO(data)) as flac:
        comment = str(flac.comment)
        return flac.read(dtype="int32") >> 8, comment
