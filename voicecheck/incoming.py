"""
The door inwards: files of others, read so that nothing is waited for without an end.

A folder, a pipe or a device is refused before anything could wait for it. A file whose drive or
network gives nothing for `STALL_S` is given up with an error; what still waits for it holds nothing
that anybody else uses.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, TypeVar, cast

STALL_S = 20.0
"""A sleeping drive is awake in 10 s; what is silent for twice that is gone (judgement)."""

Result = TypeVar("Result")
Work = Callable[[Callable[[], None]], Result]


def wait_for(work: Work[Result]) -> Result:
    """
    Do some work that may wait for a file, and give it up when it no longer moves on.

    Parameters
    ----------
    work : callable
        Given a function to call whenever something has come. Given up, it goes on waiting in a
        thread of its own and must keep what it opened to itself.

    Returns
    -------
    object
        What the work returns.

    Raises
    ------
    TimeoutError
        Nothing has come for `STALL_S`.

    Examples
    --------
    >>> wait_for(lambda moved: 2 + 2)
    4
    """
    came_s = [time.monotonic()]
    done: list[Result] = []
    failed: list[BaseException] = []

    def move() -> None:
        came_s[0] = time.monotonic()

    def act() -> None:
        try:
            done.append(work(move))
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=act, daemon=True, name="reader")
    thread.start()
    while thread.is_alive():
        left_s = came_s[0] + STALL_S - time.monotonic()
        if left_s <= 0.0:
            message = f"it gave nothing for {STALL_S:g} s: its drive or its network does not answer"
            raise TimeoutError(errno.ETIMEDOUT, message)
        thread.join(left_s)
    if failed:
        # Out of the list, else error and frame would hold each other, and the frame the sound.
        raise failed.pop()
    return done[0]


def iterate(items: Iterator[Result]) -> Iterator[Result]:
    """
    The same items, none of which is waited for without an end.

    Raises
    ------
    TimeoutError
        As `wait_for`.
    """
    end: Any = object()
    while (item := wait_for(lambda _: next(items, end))) is not end:
        yield item


class _PatientFile(io.RawIOBase):
    """An open file whose every read is waited for as `wait_for` does."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def fileno(self) -> int:
        """Descriptor of the open file."""
        return self._descriptor

    def readable(self) -> bool:
        """Whether it can be read: yes."""
        return True

    def seekable(self) -> bool:
        """Whether any place of it can be read next: yes."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place."""
        return os.lseek(self._descriptor, offset, whence)

    def tell(self) -> int:
        """Where the next read begins."""
        return os.lseek(self._descriptor, 0, os.SEEK_CUR)

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer as far as the file goes."""
        n_bytes = len(buffer)
        content = wait_for(lambda _: os.read(self._descriptor, n_bytes))
        buffer[: len(content)] = content
        return len(content)

    def close(self) -> None:
        """Give the descriptor back."""
        if not self.closed:
            super().close()
            os.close(self._descriptor)


@contextlib.contextmanager
def open_ordinary(path: str | Path) -> Iterator[BinaryIO]:
    """
    Open an ordinary file of anybody's to read.

    Parameters
    ----------
    path : path

    Yields
    ------
    binary file

    Raises
    ------
    OSError
        It cannot be opened or read, is no ordinary file, or gave nothing for `STALL_S`.
    ValueError
        No file can have such a name.
    """
    raw = _PatientFile(wait_for(lambda _: _open_at_once(path)))
    with io.BufferedReader(raw, 1 << 20) as file:
        # Looked at once it is open: what a name stood for before may be something else by now.
        if not stat.S_ISREG(os.fstat(raw.fileno()).st_mode):
            raise OSError(errno.EINVAL, "it is no ordinary file")
        yield cast("BinaryIO", file)


def read_ordinary(path: str | Path, most_bytes: int) -> bytes:
    """
    Content of a small file; one byte more than `most_bytes` of one that is larger.

    Raises
    ------
    OSError, ValueError
        As `open_ordinary`.
    """
    with open_ordinary(path) as file:
        return file.read(most_bytes + 1)


def decode_text(content: bytes) -> str:
    r"""
    UTF-8 text as it was typed, whatever editor saved it: without a byte-order mark, lines by `\n`.

    Raises
    ------
    UnicodeDecodeError

    Examples
    --------
    >>> decode_text(b"\xef\xbb\xbf300,1\r\n")
    '300,1\n'
    """
    return io.StringIO(content.decode("utf-8-sig"), newline=None).read()


def _open_at_once(path: str | Path) -> int:
    """Opened so that nothing waits for somebody who would write into a pipe."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    return os.open(path, flags | getattr(os, "O_CLOEXEC", 0))
