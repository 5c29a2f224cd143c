"""The program's end of the sound process: every wait has a deadline."""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
import time
from types import TracebackType
from typing import BinaryIO, cast

from voicecheck.bench.soundcard.wire import Message, receive, send
from voicecheck.errors import BenchError

START_S = 8.0
AFTER_KILL_S = 20.0
"""A sound server may wait 10 s for a client that was killed before it serves the next one."""
LEAVE_S = 1.5
MOST_WAITING = 64

_killed_at_s = [-AFTER_KILL_S]


class LateError(Exception):
    """The sound process did not answer in time."""


class GoneError(Exception):
    """The sound process ended without an answer."""


def get_start_limit_s() -> float:
    """How long the sound system may take to get ready."""
    return AFTER_KILL_S if time.monotonic() - _killed_at_s[0] < AFTER_KILL_S else START_S


class SoundProcess:
    """
    One request to a sound process of its own, ended on leaving whatever happens.

    Parameters
    ----------
    request : dict
    content : bytes
        Samples that go with it.
    """

    def __init__(self, request: Message, content: bytes = b"") -> None:
        self._messages: queue.Queue[tuple[Message, bytes] | None] = queue.Queue(MOST_WAITING)
        # The child finds the same modules as this process, and none in the current folder.
        path = os.pathsep.join(folder for folder in sys.path if folder)
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "voicecheck.bench.soundcard.child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": path},
        )
        self._to_child = cast("BinaryIO", self._process.stdin)
        self._from_child = cast("BinaryIO", self._process.stdout)
        self._writer = threading.Thread(target=self._write, args=(request, content), daemon=True)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._writer.start()
        self._reader.start()

    def __enter__(self) -> SoundProcess:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close(is_hung=kind is LateError)

    def receive(self, limit_s: float) -> tuple[Message, bytes]:
        """
        Next message of the sound process.

        Raises
        ------
        LateError
            None came within `limit_s` seconds.
        GoneError
            The process has ended.
        BenchError
            It refused the request; the message says why.
        """
        try:
            message = self._messages.get(timeout=max(0.0, limit_s))
        except queue.Empty:
            raise LateError from None
        if message is None:
            raise GoneError
        if message[0]["event"] == "refused":
            raise BenchError(message[0]["message"])
        return message

    def await_start(self) -> None:
        """
        Pass over what comes before the stream runs.

        Raises
        ------
        LateError, GoneError, BenchError
            As `receive`.
        """
        end_s = time.monotonic() + get_start_limit_s()
        while self.receive(end_s - time.monotonic())[0]["event"] != "started":
            pass

    def close(self, *, is_hung: bool = False) -> None:
        """End the process: ask it to fall silent and leave, unless it hangs, then make it."""
        self._writer.join(0.0 if is_hung else LEAVE_S)
        if is_hung or self._writer.is_alive():
            self._kill()
            self._writer.join()
        with contextlib.suppress(OSError):
            self._to_child.close()
        try:
            self._process.wait(LEAVE_S)
        except subprocess.TimeoutExpired:
            self._kill()
            self._process.wait()
        # The reader waits while nobody fetches; what it holds is of no use any more.
        while self._reader.is_alive():
            with contextlib.suppress(queue.Empty):
                self._messages.get(timeout=0.01)
        self._reader.join()
        self._from_child.close()

    def _kill(self) -> None:
        _killed_at_s[0] = time.monotonic()
        self._process.kill()

    def _write(self, request: Message, content: bytes) -> None:
        with contextlib.suppress(OSError):
            send(self._to_child, request, content)

    def _read(self) -> None:
        while (message := receive(self._from_child)) is not None:
            self._messages.put(message)
        self._messages.put(None)
