"""
One user of a sound device at a time, be it the page, the command line or a script.

The lock is the operating system's, on a file that stays: it ends with the process that holds it,
however that ends, so that no lock is ever stale. The note beside it says who holds the device; it
is written and removed by the holder alone and may be missing.
"""

from __future__ import annotations

import datetime
import hashlib
import os
import platform
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from voicecheck.errors import BenchError
from voicecheck.records.times import get_now_utc

if TYPE_CHECKING:
    from filelock import BaseFileLock

FOLDER_VARIABLE = "VOICECHECK_LOCKS"
WAIT_S, PROBE_S, POLL_S = 0.5, 0.05, 0.01
"""Somebody's look at whether a lock is free holds it for an instant; it is waited for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Busy:
    """
    A device that is in use.

    Parameters
    ----------
    device : str
        As its user named it; empty where the note of its holder cannot be read.
    what : str
        "sweep of job 3, transmit"; empty as above.
    since_utc : str
        ISO 8601; empty as above.
    pid : int or None
        Process of the holder.
    """

    device: str = ""
    what: str = ""
    since_utc: str = ""
    pid: int | None = None


class HasDevices(Protocol):
    """What uses sound devices, by their names."""

    @property
    def devices(self) -> tuple[str, ...]:
        """None for what needs no sound."""
        ...


@dataclass(slots=True)
class _Hold:
    """What this process holds; not `is_ready` while it still waits for the lock."""

    thread: int
    busy: Busy
    n_times: int = 1
    is_ready: bool = False
    lock: BaseFileLock | None = None


_guard = threading.Lock()
_holds: dict[str, _Hold] = {}


@contextmanager
def hold_device(device: str, what: str) -> Iterator[None]:
    """
    Hold a sound device while the block runs.

    A thread may hold a device again that it holds already; it is free after the outermost block.
    Where no lock folder can be made, or its disk knows no locks, the work goes on with other
    threads of this process kept out, but not other processes: better than refusing it.

    Parameters
    ----------
    device : str
        Name as in the set-up; capitals do not matter.
    what : str
        What it is held for, as others are told: "sweep of job 3, transmit".

    Raises
    ------
    BenchError
        Another process, or another thread of this one, holds it.
    """
    key = _make_key(device)
    _enter(key, device, what)
    try:
        yield
    finally:
        _leave(key)


@contextmanager
def hold_bench(bench: HasDevices, what: str) -> Iterator[None]:
    """
    Hold every sound device of a bench while the block runs.

    Parameters
    ----------
    bench : Bench, Watch
        Files and simulated benches have no devices and need no lock.
    what : str
        As of `hold_device`.

    Raises
    ------
    BenchError
        One of them is busy; none is held then.
    """
    with ExitStack() as stack:
        for device in bench.devices:
            stack.enter_context(hold_device(device, what))
        yield


def list_busy() -> tuple[Busy, ...]:
    """
    Devices that anybody on this machine holds, this process included.

    Returns
    -------
    tuple of Busy
        In the order of their names; empty where there is no lock folder.
    """
    with _guard:
        busy = {key: hold.busy for key, hold in _holds.items() if hold.is_ready}
    folder = _get_folder()
    try:
        files = sorted(folder.glob("*.lock"))
    except OSError:
        files = []
    for file in files:
        if file.stem not in busy and not _is_free(folder, file.stem):
            busy[file.stem] = _read_note(folder, file.stem)
    return tuple(sorted(busy.values(), key=lambda one: one.device))


def _enter(key: str, device: str, what: str) -> None:
    """Hold once more, or for the first time."""
    since_utc = get_now_utc()
    hold = _Hold(
        thread=threading.get_ident(),
        busy=Busy(device=device, what=what, since_utc=since_utc, pid=os.getpid()),
    )
    with _guard:
        held = _holds.setdefault(key, hold)
        if held is not hold:
            if held.thread != hold.thread:
                raise BenchError(_explain(device, held.busy))
            held.n_times += 1
            return
    try:
        hold.lock = _lock(key, hold.busy)
        hold.is_ready = True
    except BaseException:
        with _guard:
            del _holds[key]
        raise


def _leave(key: str) -> None:
    with _guard:
        hold = _holds[key]
        hold.n_times -= 1
        if hold.n_times:
            return
        del _holds[key]
        if hold.lock is not None:
            _remove_note(_get_folder(), key)
            with suppress(OSError):
                hold.lock.release()


def _lock(key: str, busy: Busy) -> BaseFileLock | None:
    """Lock the file of a device and write the note; `None` where there can be no lock."""
    from filelock import Timeout

    folder = _get_folder()
    try:
        folder.mkdir(0o700, parents=True, exist_ok=True)
        lock = _make_lock(folder, key)
        lock.acquire(timeout=WAIT_S, poll_interval=POLL_S)
    except Timeout:
        raise BenchError(_explain(busy.device, _read_note(folder, key))) from None
    except OSError:
        return None
    _write_note(folder, key, busy)
    return lock


def _is_free(folder: Path, key: str) -> bool:
    """Look by locking it for an instant; what a dead holder noted is swept away."""
    from filelock import Timeout

    lock = _make_lock(folder, key)
    try:
        lock.acquire(timeout=PROBE_S, poll_interval=POLL_S)
    except Timeout:
        return False
    except OSError:
        return True
    _remove_note(folder, key)
    with suppress(OSError):
        lock.release()
    return True


def _make_lock(folder: Path, key: str) -> BaseFileLock:
    from filelock import FileLock

    # Not of a thread: a live meter may be closed by another one than it was opened by. Not by
    # marker files either, which is what the library falls back to: those do go stale.
    return FileLock(folder / f"{key}.lock", thread_local=False, fallback_to_soft=False)


def _get_folder() -> Path:
    if named := os.environ.get(FOLDER_VARIABLE):
        return Path(named)
    import platformdirs

    # The cache, not the runtime folder: that one depends on how the user came in.
    return Path(platformdirs.user_cache_path("voicecheck", appauthor=False)) / "locks"


def _make_key(device: str) -> str:
    # A name may hold anything a user types, so that it is never part of a path. A home folder may
    # be that of several machines, a device is of one.
    text = f"{platform.node()}\n{device.strip().casefold()}"
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:24]


def _write_note(folder: Path, key: str, busy: Busy) -> None:
    import msgspec

    aside = folder / f"{key}.{os.getpid()}.new"
    with suppress(OSError, UnicodeError):
        aside.write_bytes(msgspec.json.encode(busy))
        aside.replace(folder / f"{key}.json")


def _read_note(folder: Path, key: str) -> Busy:
    import msgspec

    try:
        return msgspec.json.decode((folder / f"{key}.json").read_bytes(), type=Busy)
    except (OSError, ValueError):
        return Busy()


def _remove_note(folder: Path, key: str) -> None:
    with suppress(OSError):
        (folder / f"{key}.json").unlink(missing_ok=True)


def _explain(device: str, busy: Busy) -> str:
    what = busy.what or "held by another program"
    with suppress(ValueError):
        since = datetime.datetime.fromisoformat(busy.since_utc).astimezone(datetime.UTC)
        what += f", since {since:%H:%M} UTC"
    return f"{device} is busy ({what}); wait until it is done; nothing was recorded"
