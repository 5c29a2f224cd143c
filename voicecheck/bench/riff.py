"""
Files as bytes: opened so that nothing waits, and the chunks of a RIFF file.

A folder, a pipe or a device is refused before anything could wait for it.
"""

from __future__ import annotations

import contextlib
import io
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from voicecheck.errors import RecordingError
from voicecheck.incoming import open_ordinary
from voicecheck.writing import shorten

LARGEST_BYTES = 8 << 30
"""More is no recording of a telephone: 11 hours of one channel, 32 bit at 48 kHz, are 8 GiB."""
MOST_CHUNKS = 10_000
"""Chunks of a RIFF file that are looked through; recorders write about ten (judgement)."""
PCM_BITS = {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}
FLOAT_BITS = {32: "FLOAT", 64: "DOUBLE"}
FLOAT_CODE, EXTENSIBLE_CODE = 0x0003, 0xFFFE


@dataclass(frozen=True, slots=True)
class Chunk:
    """A chunk of a RIFF file: where its content starts and how long it says it is."""

    name: bytes
    start: int
    n_bytes: int


@contextlib.contextmanager
def open_regular(path: Path) -> Iterator[BinaryIO]:
    """Open a file to read; a folder or a pipe is refused before anything could wait for it."""
    try:
        with open_ordinary(path) as file:
            if file.seek(0, os.SEEK_END) > LARGEST_BYTES:
                limit = LARGEST_BYTES >> 30
                message = f"{shorten(path)}: is larger than {limit} GiB; cut out what matters"
                raise RecordingError(message, "too-long")
            file.seek(0)
            yield file
    except (OSError, ValueError) as error:
        raise tell_unreadable(path, error) from error


def tell_unreadable(path: Path, error: Exception) -> RecordingError:
    """
    What the user is told of a file that cannot be read.

    Parameters
    ----------
    path : path
    error : OSError or ValueError
    """
    why = getattr(error, "strerror", None) or "no name that a file can have"
    message = f"{shorten(path)}: cannot be read ({why}); check the name and the folder"
    return RecordingError(message, "unreadable")


def is_mpeg(path: Path) -> bool:
    """
    Whether a file is an MPEG audio stream by its first bytes, which are 11 ones (ISO/IEC 11172-3).

    A tag in front of it is passed over; its length is 4 times 7 bits (ID3v2, 3.1).

    Raises
    ------
    RecordingError
        The file cannot be read.
    """
    with open_regular(path) as file:
        head = file.read(10)
        if head[:3] == b"ID3" and len(head) == 10:
            n_bytes = sum((head[6 + i] & 0x7F) << (21 - 7 * i) for i in range(4))
            file.seek(10 + n_bytes)
            head = file.read(10)
            return head[:4] != b"fLaC"
    return len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0


def walk_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Chunks of a RIFF file as far as they make sense; none for anything else."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    if head[:4] != b"RIFF" or head[8:] != b"WAVE":
        return
    start = 12
    for _ in range(MOST_CHUNKS):
        if start + 8 > size:
            return
        file.seek(start)
        name, n_bytes = struct.unpack("<4sI", file.read(8))
        if not name.isascii() or not name.decode().isprintable():
            return
        yield Chunk(name, start + 8, min(n_bytes, size - start - 8))
        start += 8 + n_bytes + n_bytes % 2


def find_unsized(file: BinaryIO) -> tuple[dict[str, Any], Window] | None:
    """
    The sound behind a WAV header that says there is none, with how it is laid out.

    Returns
    -------
    layout : dict
        Channels and subtype, by the audio library's names.
    sound : Window
        Whole frames.
    """
    chunks = {chunk.name: chunk for chunk in walk_chunks(file)}
    data, layout = chunks.get(b"data"), chunks.get(b"fmt ")
    if data is None or layout is None or data.n_bytes:
        return None
    size = file.seek(0, os.SEEK_END)
    file.seek(layout.start)
    head = file.read(min(layout.n_bytes, 40)).ljust(40, b"\0")
    code, n_channels, _, _, _, bits = struct.unpack_from("<HHIIHH", head)
    if code == EXTENSIBLE_CODE:
        (code,) = struct.unpack_from("<H", head, 24)
    subtype = (FLOAT_BITS if code == FLOAT_CODE else PCM_BITS).get(bits)
    n_bytes = size - data.start
    n_bytes -= n_bytes % max(1, n_channels * bits // 8)
    if subtype is None or n_bytes <= 0:
        return None
    return {"channels": n_channels, "subtype": subtype}, Window(file, data.start, n_bytes)


class Window(io.RawIOBase):
    """
    A part of an open file as a file of its own.

    Parameters
    ----------
    file : binary file
    start, n_bytes : int

    Attributes
    ----------
    error : OSError or None
        Why it ended early: the audio library asks through a wall that no error passes.
    """

    def __init__(self, file: BinaryIO, start: int, n_bytes: int) -> None:
        self._file, self._start, self._n_bytes = file, start, n_bytes
        self._at = 0
        self.error: OSError | None = None

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place of the part."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._n_bytes}[whence]
        self._at = max(0, base + offset)
        return self._at

    def tell(self) -> int:
        """Where it is, bytes from the start of the part."""
        return self._at

    def readable(self) -> bool:
        """Whether it can be read: yes."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer as far as the part goes."""
        try:
            self._file.seek(self._start + self._at)
            content = self._file.read(max(0, min(len(buffer), self._n_bytes - self._at)))
        except OSError as error:
            self.error, content = error, b""
        buffer[: len(content)] = content
        self._at += len(content)
        return len(content)
