"""
Any audio file that lost nothing that counts -> recording, whatever state the file is in.

The library reports every failure in one way, trusts headers, and opens lossy files like any
other; what that means for a measurement is decided here.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from voicecheck.bench.codings import FAMILIES, USES, open_sound, tell_coding
from voicecheck.bench.riff import find_unsized, is_mpeg, open_regular, tell_unreadable
from voicecheck.errors import InputError, RecordingError
from voicecheck.incoming import iterate, wait_for
from voicecheck.records import Conditions, Problem, Recording
from voicecheck.records.arrays import Array

BLOCK_SAMPLES = 2**20
"""Read at a time, all channels together."""
SMALL_BLOCK_FRAMES = 2**12
CHUNK_BYTES = 1 << 22
LONGEST_S = 300.0
"""What a file holds beyond is not read: 15 programmes, 50 cadences of a bell (judgement)."""
LONGEST_FRAMES = 14_400_000
"""300 s at 48 kHz; faster files are read up to as many samples."""
RATES_HZ = (4000, 768_000)
"""Below, no telephone's band fits; above, nobody records sound (common practice, no source)."""
STREAMED_BYTES = (range(0x7FFFF000, 0x80000001), range(0xFFFFFF00, 0x100000000))
"""
Sizes that a recorder writes which does not know the length beforehand: the largest numbers of 31
and 32 bits, as they are, or rounded down to whole pages and with a header's length added.
"""
LARGEST_PEAK = 100.0
"""Floating-point files may go a little beyond full scale; integers stored as such go far."""
LOSSLESS = re.compile(r"PCM_(S8|U8|16|24|32)|FLOAT|DOUBLE|ALAC_\d+")
LOSSY_SUFFIXES = (".m4a", ".aac", ".mp4", ".webm", ".wma", ".amr", ".3gp")


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
    try:
        recording = wait_for(lambda moved: _load(path, channel, codings, moved))
    except TimeoutError as error:
        raise tell_unreadable(path, error) from error
    return recording.replace(conditions=conditions or Conditions(bench="file"))


def _load(
    path: Path, channel: int, codings: Collection[str], moved: Callable[[], None]
) -> Recording:
    digest = hashlib.sha256()
    with open_regular(path) as file:
        while chunk := file.read(CHUNK_BYTES):
            digest.update(chunk)
            moved()
        size = file.tell()
    if size == 0:
        message = f"{path.name}: is empty; record again"
        raise RecordingError(message, "empty")
    samples, rate_hz, problems = _decode(path, channel, codings, moved)
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
        sha256=digest.hexdigest(),
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
        return 1 if is_mpeg(Path(path)) else int(soundfile.info(path).channels)
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
    try:
        yield from iterate(_walk_blocks(Path(path), channel, block_s))
    except TimeoutError as error:
        raise tell_unreadable(Path(path), error) from error


def _walk_blocks(path: Path, channel: int, block_s: float) -> Iterator[tuple[Array, int]]:
    import soundfile

    n_read = 0
    try:
        if is_mpeg(path):
            raise _lossy(path, "MPEG audio")
        with soundfile.SoundFile(path) as sound:
            _check_format(sound, path, channel)
            rate_hz = int(sound.samplerate)
            count = max(1, min(round(block_s * rate_hz), BLOCK_SAMPLES // sound.channels))
            while len(block := sound.read(count, always_2d=True)):
                samples = block[:, channel - 1].copy()
                _check_samples(samples, rate_hz, path, first_s=n_read / rate_hz)
                n_read += len(samples)
                yield samples, rate_hz
    except soundfile.LibsndfileError as error:
        raise _not_audio(path) from error


def _check_samples(samples: Array, rate_hz: int, path: Path, *, first_s: float = 0.0) -> None:
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
    at_s = first_s + float(bad[0]) / rate_hz
    message = (
        f"{path.name}: {len(bad)} samples are not numbers, the first at {at_s:.3f} s; "
        "the file is damaged or was badly converted, record again"
    )
    raise RecordingError(message, "damaged", at_s)


def _decode(
    path: Path, channel: int, codings: Collection[str], moved: Callable[[], None]
) -> tuple[Array, int, tuple[Problem, ...]]:
    """One channel, its rate, and what was wrong with the file."""
    import soundfile

    if is_mpeg(path):
        # Before the library is asked, which talks about such files on the screen by itself.
        raise _lossy(path, "MPEG audio")
    try:
        with open_sound(path) as sound:
            _check_format(sound, path, channel, codings)
            told = [tell_coding(sound.subtype)] if sound.subtype in FAMILIES else []
            rate_hz = int(sound.samplerate)
            if sound.frames == 0:
                return _recover_unsized(path, channel, rate_hz, moved)
            claimed = int(sound.frames)
            read = _read_channel(sound, channel, path, moved)
            claims = _read_claims(sound)
            lost_s = _estimate_lost_s(claims, sound, path)
    except soundfile.LibsndfileError as error:
        raise _not_audio(path) from error
    end_s = len(read.samples) / rate_hz
    if claimed < LONGEST_FRAMES:
        lost_s = max(lost_s, claimed / rate_hz - end_s)
    if read.goes_on:
        told.append(_tell_long(end_s))
    elif read.is_cut or lost_s > 0:
        told.append(_tell_lost(end_s, lost_s))
    elif any(said in sizes for said, _ in claims for sizes in STREAMED_BYTES):
        told.append(_tell_streamed(end_s))
    return read.samples, rate_hz, tuple(told)


def _tell_long(end_s: float) -> Problem:
    return Problem(
        kind="long",
        at_s=end_s,
        message=f"the recording is longer than {end_s:.0f} s",
        effect=f"only its first {end_s:.0f} s are used; if what matters is later, cut it out",
    )


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
        raise _lossy(path, str(sound.subtype_info), _tell_use(sound.subtype))
    if not RATES_HZ[0] <= sound.samplerate <= RATES_HZ[1]:
        message = (
            f"{path.name}: says {sound.samplerate} samples per second, need {RATES_HZ[0]} to "
            f"{RATES_HZ[1]}; its header is damaged, or it is no recording of sound"
        )
        raise RecordingError(message, "damaged")
    if not 1 <= channel <= sound.channels:
        message = f"{path.name}: channel {channel} asked for, it has 1 to {sound.channels}"
        raise InputError(message)


def _lossy(path: Path, name: str, use: str = "") -> RecordingError:
    message = (
        f"{path.name}: {name} leaves out part of the sound and adds its own distortion and "
        f"noise{use}; record as WAV or FLAC, 16 bit or better, and do not convert in between"
    )
    return RecordingError(message, "lossy")


def _tell_use(subtype: str) -> str:
    """What a telephone coding that is refused here is good for."""
    use = USES.get(FAMILIES.get(subtype, ""))
    return f" (good enough for {use}, not for this)" if use else ""


@dataclass(frozen=True, slots=True)
class _Read:
    """One channel; whether the library gave up in it, and whether more follows."""

    samples: Array
    is_cut: bool = False
    goes_on: bool = False


def _read_channel(sound: Any, channel: int, path: Path, moved: Callable[[], None]) -> _Read:
    """
    Read in blocks, so that no memory is taken on the word of a header.

    Where the library gives up in between it is asked again in small blocks, which give what
    precedes the bad place.
    """
    import soundfile

    block_frames = max(1, BLOCK_SAMPLES // sound.channels)
    try:
        samples = _join(_read_blocks(sound, channel, block_frames), _find_most(sound), moved)
        return _Read(samples, goes_on=len(sound.read(1)) > 0)
    except soundfile.LibsndfileError:
        pass
    with open_sound(path) as again:
        blocks = _read_up_to(_read_blocks(again, channel, SMALL_BLOCK_FRAMES))
        samples = _join(blocks, _find_most(again), moved)
    return _Read(samples, is_cut=True)


def _read_up_to(blocks: Iterator[Array]) -> Iterator[Array]:
    """Blocks up to where the library gives up."""
    import soundfile

    with contextlib.suppress(soundfile.LibsndfileError):
        yield from blocks


def _find_most(sound: Any) -> int:
    """Frames that are read of a file at most, however long it says it is."""
    return min(LONGEST_FRAMES, round(LONGEST_S * int(sound.samplerate)))


def _read_blocks(sound: Any, channel: int, block_frames: int) -> Iterator[Array]:
    """One channel, block by block, as far as a recording may go."""
    left = _find_most(sound)
    while left > 0:
        asked = min(block_frames, left)
        part = sound.read(asked)
        left -= len(part)
        yield part if part.ndim == 1 else part[:, channel - 1].copy()
        if len(part) < asked:
            return


def _join(parts: Iterable[Array], most: int, moved: Callable[[], None]) -> Array:
    """
    All of them in one array, so that nothing is held twice.

    What it may come to at most is asked for at once: no memory is taken before it is written to,
    and so much is a part of its own, which goes back to the system as a whole.
    """
    samples, n = np.empty(most), 0
    for part in parts:
        samples[n : n + len(part)] = part
        n += len(part)
        moved()
    samples.resize(n, refcheck=False)
    return samples


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
    path: Path, channel: int, rate_hz: int, moved: Callable[[], None]
) -> tuple[Array, int, tuple[Problem, ...]]:
    """A killed recorder leaves a size of 0 in the header and the sound behind it: read that."""
    import soundfile

    with open_regular(path) as file:
        found = find_unsized(file)
        if found is None:
            return np.zeros(0), rate_hz, ()
        layout, window = found
        raw = soundfile.SoundFile(
            window, samplerate=rate_hz, format="RAW", endian="LITTLE", **layout
        )
        with raw as sound:
            block_frames = max(1, BLOCK_SAMPLES // sound.channels)
            samples = _join(_read_blocks(sound, channel, block_frames), _find_most(sound), moved)
            goes_on = len(sound.read(1)) > 0
        if window.error is not None:
            raise window.error
    end_s = len(samples) / rate_hz
    told = (_tell_long(end_s),) if goes_on else ()
    problem = Problem(
        kind="truncated",
        at_s=end_s,
        message="the recorder did not finish the file: its header says no sound, sound follows",
        effect="everything up to the end of the file is used; its last moments may be missing",
    )
    return samples, rate_hz, told or (problem,)


def _not_audio(path: Path) -> RecordingError:
    if path.suffix.lower() in LOSSY_SUFFIXES:
        message = (
            f"{path.name}: cannot be read, and such files leave out part of the sound; "
            "record as WAV or FLAC, 16 bit or better"
        )
        return RecordingError(message, "lossy")
    message = f"{path.name}: is no audio file that can be read; give WAV, FLAC or AIFF"
    return RecordingError(message, "not-audio")
