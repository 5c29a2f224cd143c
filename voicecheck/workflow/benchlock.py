"""One user of a bench at a time: a lock file with the process number in the book's folder."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from voicecheck.errors import BenchError


def find_holder(folder: str | Path, name: str) -> int | None:
    """The live process that holds a bench, or None; a dead one's lock counts as none."""
    try:
        pid = int(_locate(folder, name).read_text(encoding="ascii"))
    except (FileNotFoundError, ValueError):
        return None
    return pid if _is_alive(pid) else None


@contextmanager
def hold_bench(folder: str | Path, name: str) -> Iterator[None]:
    """
    Hold a bench while the block runs.

    Parameters
    ----------
    folder : path
        Of the job book.
    name : str
        Of the bench.

    Raises
    ------
    BenchError
        Another live process, or this one, holds it.
    """
    file = _locate(folder, name)
    if (holder := find_holder(folder, name)) is not None:
        raise BenchError(f"bench {name!r} is busy (process {holder}); wait until it is done")
    file.unlink(missing_ok=True)
    try:
        handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        raise BenchError(f"bench {name!r} is busy; wait until it is done") from None
    try:
        os.write(handle, str(os.getpid()).encode("ascii"))
        os.close(handle)
        yield
    finally:
        file.unlink(missing_ok=True)


def _locate(folder: str | Path, name: str) -> Path:
    # A name may hold anything a user types, so that it is never part of a path.
    return Path(folder) / f"bench-{hashlib.sha256(name.encode()).hexdigest()[:16]}.lock"


def _is_alive(pid: int) -> bool:
    if pid <= 0:
        return False
    with suppress(PermissionError):
        try:
            os.kill(pid, 0)
        except (ProcessLookupError, OverflowError):
            return False
    return True
