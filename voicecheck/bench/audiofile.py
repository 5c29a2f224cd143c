"""
Any audio file that lost nothing that counts -> recording, whatever state the file is in.

The library reports every failure in one way, trusts headers, and opens lossy files like any
other; what that means for a measurement is decided here.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import struct
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from voicecheck.bench.codings import FAMILIES, USES, open_sound, tell_coding
from voicecheck.errors import InputError, RecordingError
from voicecheck.records import Conditions, Problem, Recording
from voicecheck.records.arrays import Array

BLOCK_FRAMES = 2**20
SMALL_BLOCK_FRAMES = 2**12
LONGEST_FRAMES = 2**28
"""About 93 minutes at 48 kHz; more would not fit the memory of a small machine."""
STREAMED_BYTES = (range(0x7FFFF000, 0x80000001), range(0xFFFFFF00, 0x100000000))
"""
Sizes that a recorder writes which does not know the length beforehand: the largest numbers of 31
and 32 bits, as they are, or rounded down to whole pages and with a header's length added.
"""
LARGEST_PEAK = 100.0
"""Floating-point files may go a little beyond full scale; integers stored as such go far."""
LOSSLESS = re.compile(r"PCM_(S8|U8|16|24|32)|FLOAT|DOUBLE|ALAC_\d+")
LOSSY_SUFFIXES = (".m4a", ".aac", ".mp4", ".webm", ".wma", ".amr", ".3gp")
PCM_BITS = {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}
FLOAT_BITS = {32: "FLOAT", 64: "DOUBLE"}
FLOAT_CODE, EXTENSIBLE_CODE = 0x0003, 0xFFFE


def load_recording(
    path: str | Path,
    *,
    channel: int = 1,
    conditions: Conditions | None = None,
    codings: Collection[str] = (),
) -> Recording:
    """
    Read one channel of an audio file.

    Parameters
    ----------
    path : path
        WAV, FLAC, AIFF and what else the audio library reads without loss.
    channel : int
        Counted from 1.
    conditions : Conditions, optional
    codings : collection of str
        Families of telephone codings (see `voicecheck.bench.codings`) that what is measured
        survives; none for whatever needs the sound itself.

    Returns
    -------
    Recording
        With the SHA-256 of the file's bytes. What could be read of a truncated or damaged file
        comes with a `Problem` that says where it ends.

    Raises
    ------
    InputError
        The file has no such channel.
    RecordingError
        Kind "unreadable", "not-audio", "lossy", "empty", "too-long" or "damaged".
    """
    path = Path(path)
    with open_regular(path) as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        size = file.tell()
    if size == 0:
        message = f"{path.name}: is empty; record again"
        raise RecordingError(message, "empty")
    samples, rate_hz, problems = _decode(path, channel, codings)
    if len(samples) == 0 and problems:
        message = f"{path.name}: is damaged from its start; copy it again or record again"
        raise RecordingError(message, "damaged")
    if len(samples) == 0:
        message = f"{path.name}: holds no sound; record again"
        raise RecordingError(message, "empty")
    _check_samples(samples, rate_hz, path)
    # Nobody else holds them: read-only they become the record's own without a copy.
    samples.flags.writeable = False
    return Recording(
        samples=samples,
        rate_hz=rate_hz,
        channel=channel,
        sha256=sha256,
        conditions=conditions or Conditions(bench="file"),
        problems=problems,
    )


def load_pair(
    path: str | Path, *, channel: int = 1, conditions: Conditions | None = None
) -> Recording:
    """
    Read a channel of an audio file and the one after it; the first alone where there is no other.

    Parameters
    ----------
    path : path
    channel : int
        Of the first, from 1.
    conditions : Conditions, optional

    Returns
    -------
    Recording
        The other channel is its `second`.

    Raises
    ------
    InputError, RecordingError
        As `load_recording`.
    """
    first = load_recording(path, channel=channel, conditions=conditions)
    if count_channels(path) <= channel:
        return first
    other = load_recording(path, channel=channel + 1)
    shorter = min(len(first.samples), len(other.samples))
    return first.replace(samples=first.samples[:shorter], second=other.samples[:shorter])


def count_channels(path: str | Path) -> int:
    """
    How many channels an audio file has; 1 where it cannot be read, which reading it will tell.

    Parameters
    ----------
    path : path
    """
    import soundfile

    try:
        with open_regular(Path(path)):
            return int(soundfile.info(path).channels)
    except (soundfile.LibsndfileError, RecordingError):
        return 1


def read_in_blocks(
    path: str | Path, *, channel: int = 1, block_s: float = 10.0
) -> Iterator[tuple[Array, int]]:
    """
    One channel of a long audio file, a block at a time.

    Parameters
    ----------
    path : path
    channel : int
        Counted from 1.
    block_s : float
        Length of a block, seconds.

    Yields
    ------
    samples : ndarray, shape (n,)
    rate_hz : int

    Raises
    ------
    InputError
        The file has no such channel.
    RecordingError
        Not audio, or lossy.
    """
    import soundfile

    path = Path(path)
    try:
        with soundfile.SoundFile(path) as sound:
            _check_format(sound, path, channel)
            rate_hz = int(sound.samplerate)
            count = max(1, round(block_s * rate_hz))
            while len(block := sound.read(count, always_2d=True)):
                yield block[:, channel - 1].copy(), rate_hz
    except soundfile.LibsndfileError as error:
        raise _not_audio(path) from error


@dataclass(frozen=True, slots=True)
class Chunk:
    """A chunk of a RIFF file: where its content starts and how long it says it is."""

    name: bytes
    start: int
    n_bytes: int


@contextlib.contextmanager
def open_regular(path: Path) -> Iterator[io.BufferedReader]:
    """Open a file to read; a folder or a pipe is refused before anything could wait for it."""
    try:
        if path.exists() and not path.is_file():
            message = f"{path}: is no ordinary file; give an audio file"
            raise RecordingError(message, "unreadable")
        with path.open("rb") as file:
            yield file
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); check the name and the folder"
        raise RecordingError(message, "unreadable") from error


def walk_chunks(file: io.BufferedReader) -> Iterator[Chunk]:
    """Chunks of a RIFF file as far as they make sense; none for anything else."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    if head[:4] != b"RIFF" or head[8:] != b"WAVE":
        return
    start = 12
    while start + 8 <= size:
        file.seek(start)
        name, n_bytes = struct.unpack("<4sI", file.read(8))
        if not name.isascii() or not name.decode().isprintable():
            return
        yield Chunk(name, start + 8, min(n_bytes, size - start - 8))
        start += 8 + n_bytes + n_bytes % 2


def _check_samples(samples: Array, rate_hz: int, path: Path) -> None:
    """Refuse what no recorder writes: samples that are not numbers, or far beyond full scale."""
    # Either extreme is NaN or infinite if any sample is, and neither needs a temporary.
    extremes = (float(np.min(samples)), float(np.max(samples)))
    peak = max(abs(extremes[0]), abs(extremes[1]))
    if peak <= LARGEST_PEAK:
        return
    bad = np.flatnonzero(~np.isfinite(samples))
    if len(bad) == 0:
        message = (
            f"{path.name}: its samples reach {peak:.4g}, full scale is 1; "
            "the file was written without scaling, export it again as 24-bit WAV"
        )
        raise RecordingError(message, "damaged")
    at_s = float(bad[0]) / rate_hz
    message = (
        f"{path.name}: {len(bad)} samples are not numbers, the first at {at_s:.3f} s; "
        "the file is damaged or was badly converted, record again"
    )
    raise RecordingError(message, "damaged", at_s)


def _decode(
    path: Path, channel: int, codings: Collection[str]
) -> tuple[Array, int, tuple[Problem, ...]]:
    """One channel, its rate, and what was wrong with the file."""
    import soundfile

    try:
        with open_sound(path) as sound:
            _check_format(sound, path, channel, codings)
            told = [tell_coding(sound.subtype)] if sound.subtype in FAMILIES else []
            rate_hz = int(sound.samplerate)
            if sound.frames == 0:
                return _recover_unsized(path, channel, rate_hz)
            claimed = int(sound.frames)
            samples, is_cut = _read_channel(sound, channel, path)
            claims = _read_claims(sound)
            is_streamed = any(said in sizes for said, _ in claims for sizes in STREAMED_BYTES)
            lost_s = _estimate_lost_s(claims, sound, path)
    except soundfile.LibsndfileError as error:
        raise _not_audio(path) from error
    if claimed < LONGEST_FRAMES:
        lost_s = max(lost_s, (claimed - len(samples)) / rate_hz)
    end_s = len(samples) / rate_hz
    if is_cut or lost_s > 0:
        told.append(_tell_lost(end_s, lost_s))
    elif is_streamed:
        told.append(_tell_streamed(end_s))
    return samples, rate_hz, tuple(told)


def _tell_streamed(end_s: float) -> Problem:
    return Problem(
        kind="unsized",
        message="the file was written as a stream: its header does not say how long the sound is",
        effect=f"read to the end of the file, {end_s:.2f} s; whether its end is missing is unknown",
    )


def _tell_lost(end_s: float, lost_s: float) -> Problem:
    rest = f", {lost_s:.2f} s are missing" if lost_s > 0 else ""
    return Problem(
        kind="truncated",
        at_s=end_s,
        message=f"the file is cut short or damaged: sound up to {end_s:.2f} s{rest}",
        effect="only what precedes the damage is used",
    )


def _check_format(sound: Any, path: Path, channel: int, codings: Collection[str] = ()) -> None:
    is_enough = FAMILIES.get(sound.subtype) in codings
    if not is_enough and not LOSSLESS.fullmatch(sound.subtype):
        name = str(sound.subtype_info)
        message = (
            f"{path.name}: {name} leaves out part of the sound and adds its own distortion and "
            f"noise{_tell_use(sound.subtype)}; record as WAV or FLAC, 16 bit or better, and do not "
            "convert in between"
        )
        raise RecordingError(message, "lossy")
    if not 1 <= channel <= sound.channels:
        message = f"{path.name}: channel {channel} asked for, it has 1 to {sound.channels}"
        raise InputError(message)


def _tell_use(subtype: str) -> str:
    """What a telephone coding that is refused here is good for."""
    use = USES.get(FAMILIES.get(subtype, ""))
    return f" (good enough for {use}, not for this)" if use else ""


def _read_channel(sound: Any, channel: int, path: Path) -> tuple[Array, bool]:
    """
    Read in blocks, so that no memory is taken on the word of a header.

    Returns the samples and whether the library gave up in between; then it is asked again in
    small blocks, which give what precedes the bad place.
    """
    import soundfile

    try:
        return _read_blocks(sound, channel, BLOCK_FRAMES, path), False
    except soundfile.LibsndfileError:
        pass
    parts: list[Array] = []
    with open_sound(path) as again, contextlib.suppress(soundfile.LibsndfileError):
        while len(part := again.read(SMALL_BLOCK_FRAMES, always_2d=True)):
            parts.append(part[:, channel - 1].copy())
            _check_length(len(parts) * SMALL_BLOCK_FRAMES, path)
    return np.concatenate(parts) if parts else np.zeros(0), True


def _read_blocks(sound: Any, channel: int, block_frames: int, path: Path) -> Array:
    parts: list[Array] = []
    while True:
        part = sound.read(block_frames)
        parts.append(part if part.ndim == 1 else part[:, channel - 1].copy())
        _check_length(len(parts) * block_frames, path)
        if len(part) < block_frames:
            return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _check_length(n_frames: int, path: Path) -> None:
    if n_frames > LONGEST_FRAMES:
        message = f"{path.name}: too long to hold in memory; cut out the part that matters"
        raise RecordingError(message, "too-long")


def _read_claims(sound: Any) -> list[tuple[int, int]]:
    """Sizes that the header of a WAV or AIFF gives, each with what it should be, bytes."""
    found = re.findall(r"(?:data|SSND|Riff size) : (\d+) \(should be (\d+)\)", sound.extra_info)
    return [(int(said), int(is_)) for said, is_ in found]


def _estimate_lost_s(claims: list[tuple[int, int]], sound: Any, path: Path) -> float:
    """Seconds that a WAV's or AIFF's header promises beyond the end of the file."""
    lost_bytes = [
        said - is_ for said, is_ in claims if not any(said in sizes for sizes in STREAMED_BYTES)
    ]
    frame_bytes = max(1.0, path.stat().st_size / max(1, sound.frames))
    return float(max([0, *lost_bytes]) / frame_bytes / sound.samplerate)


def _recover_unsized(
    path: Path, channel: int, rate_hz: int
) -> tuple[Array, int, tuple[Problem, ...]]:
    """A killed recorder leaves a size of 0 in the header and the sound behind it: read that."""
    import soundfile

    with open_regular(path) as file:
        chunks = {chunk.name: chunk for chunk in walk_chunks(file)}
        data, layout = chunks.get(b"data"), chunks.get(b"fmt ")
        if data is None or layout is None or data.n_bytes:
            return np.zeros(0), rate_hz, ()
        file.seek(layout.start)
        head = file.read(min(layout.n_bytes, 40)).ljust(40, b"\0")
        file.seek(data.start)
        sound = file.read(LONGEST_FRAMES)
    code, n_channels, _, _, _, bits = struct.unpack_from("<HHIIHH", head)
    if code == EXTENSIBLE_CODE:
        (code,) = struct.unpack_from("<H", head, 24)
    subtype = (FLOAT_BITS if code == FLOAT_CODE else PCM_BITS).get(bits)
    whole = len(sound) - len(sound) % max(1, n_channels * bits // 8)
    if subtype is None or whole == 0:
        return np.zeros(0), rate_hz, ()
    samples, _ = soundfile.read(
        io.BytesIO(sound[:whole]),
        samplerate=rate_hz,
        channels=n_channels,
        subtype=subtype,
        format="RAW",
        endian="LITTLE",
        always_2d=True,
    )
    problem = Problem(
        kind="truncated",
        at_s=len(samples) / rate_hz,
        message="the recorder did not finish the file: its header says no sound, sound follows",
        effect="everything up to the end of the file is used; its last moments may be missing",
    )
    return samples[:, channel - 1].copy(), rate_hz, (problem,)


def _not_audio(path: Path) -> RecordingError:
    if path.suffix.lower() in LOSSY_SUFFIXES:
        message = (
            f"{path.name}: cannot be read, and such files leave out part of the sound; "
            "record as WAV or FLAC, 16 bit or better"
        )
        return RecordingError(message, "lossy")
    message = f"{path.name}: is no audio file that can be read; give WAV, FLAC or AIFF"
    return RecordingError(message, "not-audio")
