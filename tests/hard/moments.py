"""
A command in a process of its own, and what happens to it at one of its moments.

A moment is a call by which a program changes what is on a disk or says something: a file opened to
be written, renamed, removed, forced to disk; a statement that changes a row; a commit; a line that
is printed. The command is run once to its end to count them; then again, with something that
happens at one of them.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import select
import signal
import sys
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from writers import typed_in

FOR_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
CALLS = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "sqlite3.connect"}
LONGEST_S = 120.0
UNFORESEEN = 99
"""Exit status of the child when an error came out of the program."""

Act = Callable[[str], None]
"""Called with the kind of the moment; what it raises goes to the program."""


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit status, or `None` when it was killed; all it said."""

    code: int | None
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        """What it said as an error."""
        return [line for line in self.err.splitlines() if line.startswith("voicecheck: ")]


class Moments:
    """
    Counts the moments of this process and acts at one of them.

    Parameters
    ----------
    at : int
        From 0; -1 is none.
    act : callable
    """

    def __init__(self, at: int, act: Act) -> None:
        self.at, self.act, self.is_on = at, act, False
        self.kinds: list[str] = []

    def watch(self) -> None:
        """Begin; there is no end but that of the process."""
        sys.addaudithook(self._hear)
        real_fsync = os.fsync

        def fsync(descriptor: Any) -> None:
            self.reach("fsync")
            real_fsync(descriptor)

        os.fsync = fsync  # type: ignore[assignment]
        sa.event.listen(sa.Engine, "before_cursor_execute", self._execute)
        sa.event.listen(sa.Engine, "commit", lambda _: self.reach("commit"))
        self.is_on = True

    def reach(self, kind: str) -> None:
        """One more moment."""
        if not self.is_on:
            return
        self.kinds.append(kind)
        if len(self.kinds) - 1 == self.at:
            self.is_on = False
            try:
                self.act(kind)
            finally:
                self.is_on = True

    def _hear(self, event: str, details: tuple[Any, ...]) -> None:
        if event in CALLS or (event == "open" and _is_writing(details)):
            self.reach(event)

    def _execute(self, *details: Any) -> None:
        if not details[2].lstrip().upper().startswith(("SELECT", "PRAGMA")):
            self.reach("statement")


def _is_writing(details: tuple[Any, ...]) -> bool:
    path, _, flags = details
    # A number is what is open already: a pipe to a process.
    is_file = isinstance(path, str | os.PathLike) and not str(path).startswith(("/dev", "/proc"))
    return is_file and bool(flags & FOR_WRITING)


def run_command(
    place: Path, words: list[str], *, at: int = -1, act: Act = print,
    kill_s: float | None = None, begin: Callable[[], None] | None = None,
) -> tuple[Ended, list[str]]:  # fmt: skip
    """
    Run a command in a child; how it ended, and the kinds of its moments.

    Parameters
    ----------
    place : Path
        Where it is typed.
    words : list of str
    at, act : int, callable
        What happens at which moment.
    kill_s : float, optional
        Kill it after so long.
    begin : callable, optional
        Done in the child first: limits, another user.
    """
    pipes = [os.pipe() for _ in range(3)]
    with warnings.catch_warnings():
        # Newer Pythons warn of other threads, none of which the child needs.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        for reading, _ in pipes:
            os.close(reading)
        _be_the_child(place, words, Moments(at, act), [writing for _, writing in pipes], begin)
    for _, writing in pipes:
        os.close(writing)
    said = _read_all([reading for reading, _ in pipes], child, kill_s)
    _, status = os.waitpid(child, 0)
    # What it had started itself goes with it.
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child, signal.SIGKILL)
    code = None if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status)
    return Ended(code, said[0].decode(), said[1].decode()), json.loads(said[2] or b"[]")


def _read_all(pipes: list[int], child: int, kill_s: float | None) -> list[bytes]:
    """Everything that comes out of the pipes; the child is killed on the way if that is wanted."""
    said = dict.fromkeys(pipes, b"")
    still, wait_s = list(pipes), LONGEST_S if kill_s is None else kill_s
    while still:
        ready, _, _ = select.select(still, [], [], wait_s)
        if not ready:
            os.kill(child, signal.SIGKILL)
            assert kill_s is not None, f"hung after {said}"
            wait_s, kill_s = LONGEST_S, None
        for pipe in ready:
            some = os.read(pipe, 65536)
            said[pipe] += some
            if not some:
                still.remove(pipe)
                os.close(pipe)
    return list(said.values())


def _be_the_child(
    place: Path, words: list[str], moments: Moments, pipes: list[int],
    begin: Callable[[], None] | None,
) -> None:  # fmt: skip
    code = UNFORESEEN
    try:
        os.setpgid(0, 0)
        os.dup2(pipes[0], 1)
        os.dup2(pipes[1], 2)
        sys.stdout = Saying(1, moments)
        sys.stderr = Saying(2, moments)
        random.seed(1)
        with typed_in(place):
            if begin is not None:
                begin()
            moments.watch()
            code = _run(words)
            moments.reach("end")
            moments.is_on = False
    except BaseException:
        moments.is_on = False
        os.write(2, traceback.format_exc().encode())
    finally:
        with contextlib.suppress(OSError):
            os.write(pipes[2], json.dumps(moments.kinds).encode())
        os._exit(code)


def _run(words: list[str]) -> int:
    from voicecheck.cli.main import main

    sys.argv = ["voicecheck", *words]
    try:
        main()
    except SystemExit as stop:
        return int(str(stop.code or 0))


class Saying:
    """An output whose every line is a moment, and is out when it was printed."""

    encoding = "utf-8"

    def __init__(self, descriptor: int, moments: Moments) -> None:
        self.descriptor, self.moments = descriptor, moments

    def write(self, text: str) -> int:
        """Say it."""
        self.moments.reach("say")
        os.write(self.descriptor, text.encode("utf-8", "replace"))
        return len(text)

    def flush(self) -> None:
        """Nothing is held back."""

    def isatty(self) -> bool:
        """Nobody sits there."""
        return False

    def fileno(self) -> int:
        """For what asks."""
        return self.descriptor
