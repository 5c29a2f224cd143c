"""
Disks that fail under a writing command: full, read-only, vanished, broken.

A disk of its own where one can be mounted (by root); elsewhere a limit on the length of files and
folders without the right to write stand for it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import shutil
import stat
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from command_kills import Figures, Trial
from moments import Ended, run_command

DISK_MB = 48
PAGE = 4096
BROKEN = (errno.ENOSPC, errno.EIO, errno.EDQUOT, errno.EROFS)
OF_FILES = {"open", "fsync", "os.rename", "os.mkdir"}
"""Moments at which the system itself would say that a disk has failed."""
ALLOWED = {0, 2, 5}


@contextlib.contextmanager
def mount_disk(place: Path) -> Iterator[bool]:
    """A small disk in an empty folder; whether there is one, or the folder stays what it was."""
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)]
    is_there = os.name != "nt" and os.getuid() == 0
    is_there = is_there and not subprocess.run(command, capture_output=True, check=False).returncode
    try:
        yield is_there
    finally:
        if is_there:
            subprocess.run(["umount", "-l", str(place)], check=True)


def break_often(
    trial: Trial, rng: np.random.Generator, figures: Figures, *, n: int, is_disk: bool
) -> None:
    """Each kind of failure so many times."""
    for _ in range(n):
        if is_disk:
            _fill(trial, rng, figures)
        _limit(trial, rng, figures)
        _break(trial, rng, figures)
        _vanish(trial, rng, figures)
    _forbid(trial, figures, is_disk=is_disk)


def _fill(trial: Trial, rng: np.random.Generator, figures: Figures) -> None:
    """A disk on which so many pages are free."""
    trial.renew()
    n_pages = int(10 ** rng.uniform(0.0, 2.0)) - 1
    filler = trial.place.parent / "filler"
    left = os.statvfs(trial.place)
    filler.write_bytes(bytes(max(left.f_bavail * left.f_bsize - n_pages * PAGE, 0)))
    ended, _ = run_command(trial.place, trial.words)
    filler.unlink()
    _judge(trial, ended, figures, f"{trial.name}, {n_pages} pages free")


def _limit(trial: Trial, rng: np.random.Generator, figures: Figures) -> None:
    """No file may become longer; the system says so in the middle of a write."""
    trial.renew()
    n_bytes = int(10 ** rng.uniform(0.0, 5.0))

    def begin() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, n_bytes))

    ended, _ = run_command(trial.place, trial.words, begin=begin)
    _judge(trial, ended, figures, f"{trial.name}, files of {n_bytes} bytes at most")


def _break(trial: Trial, rng: np.random.Generator, figures: Figures) -> None:
    """One call that writes fails."""
    trial.renew()
    places = [at for at, kind in enumerate(trial.kinds) if kind in OF_FILES]
    at, number = int(rng.choice(places)) if places else -1, int(rng.choice(BROKEN))

    def fail(_: str) -> None:
        raise OSError(number, os.strerror(number))

    ended, _ = run_command(trial.place, trial.words, at=at, act=fail)
    what = f"{trial.name}, {errno.errorcode[number]} at moment {at} of {trial.n_moments}"
    _judge(trial, ended, figures, what)


def _vanish(trial: Trial, rng: np.random.Generator, figures: Figures) -> None:
    """Book and folder of papers are elsewhere of a sudden, as after a stick was pulled."""
    trial.renew()
    at = int(rng.integers(trial.n_moments))

    def vanish(_: str) -> None:
        for name in ("book", "out"):
            (trial.place / name).rename(trial.place / f"gone-{name}")

    ended, _ = run_command(trial.place, trial.words, at=at, act=vanish)
    what = f"{trial.name}, vanished at moment {at} of {trial.n_moments}"
    for name in ("book", "out"):
        here, gone = trial.place / name, trial.place / f"gone-{name}"
        if not gone.exists():
            # This time the command ended before that moment.
            continue
        if here.exists():
            made = sorted(str(one.relative_to(trial.place)) for one in here.rglob("*"))
            figures.blame(what, f"{name} was made anew: {made[:3]}")
            shutil.rmtree(here)
        gone.rename(here)
    _judge(trial, ended, figures, what, is_tidy=False)


def _forbid(trial: Trial, figures: Figures, *, is_disk: bool) -> None:
    """A disk that may only be read, or folders in which nothing may be written."""
    trial.renew()
    if not is_disk and os.getuid() == 0:
        return
    change = _remount if is_disk else _close
    change(trial.place, True)
    ended, _ = run_command(trial.place, trial.words)
    change(trial.place, False)
    if ended.code == 0:
        figures.blame(trial.name, "read-only, and it said nothing")
    _judge(trial, ended, figures, f"{trial.name}, read-only")


def _remount(place: Path, is_read_only: bool) -> None:
    rights = "ro" if is_read_only else "rw"
    subprocess.run(["mount", "-o", f"remount,{rights}", str(place.parent)], check=True)


def _close(place: Path, is_read_only: bool) -> None:
    for path in [place, *place.rglob("*")]:
        mode = path.stat().st_mode
        path.chmod(mode & ~0o222 if is_read_only else mode | stat.S_IWUSR)


def _judge(
    trial: Trial, ended: Ended, figures: Figures, what: str, *, is_tidy: bool = True
) -> None:
    """One line and its exit status; nothing half-written; nothing left lying about."""
    figures.n += 1
    figures.ends[f"exit {ended.code}"] += 1
    if ended.code not in ALLOWED or "unexpected" in ended.err or "Traceback" in ended.err:
        figures.blame(what, f"exit {ended.code}: {ended.err[-400:]!r}")
    elif ended.code and len(ended.lines) != 1:
        figures.blame(what, f"{len(ended.lines)} lines: {ended.err[-400:]!r}")
    if is_tidy:
        left = [one.name for one in trial.place.rglob(".voicecheck*")]
        left += [str(one) for one in trial.place.rglob("incoming/*")]
        if left:
            figures.blame(what, f"left {left}")
    trial.judge(ended, figures, what)
