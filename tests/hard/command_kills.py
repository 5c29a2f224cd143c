"""
Every writing command killed at random moments, and what must be true of the book afterwards.

By hand, with the figures of `tests/bench/hard.md`:

    PYTHONPATH=tests python tests/hard/trouble.py --kills 20 --disks 10 --seed 1
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import sqlite3
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from audio_files import run_main
from moments import Ended, run_command
from writers import FURTHER, WRITERS, get_words, typed_in

from voicecheck.jobbook import JobBook, tables

VARYING = re.compile(
    r"\d{4}-\d\d-\d\d([T ][0-9:.]+(Z|[+-]\d\d:\d\d)?)?|\b[0-9a-f]{12,64}\b|\b\d\d:\d\d\b"
)
"""Times, digests and marks differ from one run to the next."""
SLOW = {"trial", "report", "sweep"}
"""Commands that compute for seconds."""

KILLED = sorted({*WRITERS, *FURTHER} - {"demo"})
"""The demo has processes of its own and a test of its own."""

State = dict[tuple[str, str, int], str]


@dataclass
class Figures:
    """What came of many trials of the commands."""

    n: int = 0
    n_moments: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def blame(self, what: str, wrong: str) -> None:
        """Note what is wrong."""
        self.wrong.append(f"{what}: {wrong}"[:600])


class Trial:
    """
    One command, with a folder that it is typed in again and again.

    Parameters
    ----------
    name : str
        Of the command.
    origin : Path
        Folder as `make_place` makes it; it is copied for each trial.
    place : Path
        Where the copies are made.
    """

    def __init__(self, name: str, origin: Path, place: Path) -> None:
        self.name, self.words, self.origin, self.place = name, get_words(name), origin, place
        self.renew()
        self.before = read_state(place)
        # Here once, so that everything is loaded: the children find it there.
        with typed_in(place):
            code, _, said = run_main(*self.words)
        assert code == 0, (name, said)
        self.renew()
        self.ended, self.kinds = run_command(place, self.words)
        assert self.ended.code == 0, (name, self.ended)
        self.after = read_state(place)
        self.files = list_files(place)

    @property
    def n_moments(self) -> int:
        """How many moments it has when nothing happens."""
        return len(self.kinds)

    def renew(self) -> None:
        """The folder as it was in the beginning."""
        shutil.rmtree(self.place, ignore_errors=True)
        shutil.copytree(self.origin, self.place)

    def judge(self, ended: Ended, figures: Figures, what: str) -> None:
        """What must be true of the folder now, however the command ended."""
        self._look(figures, what)
        now = read_state(self.place)
        for wrong in self._hold(now):
            figures.blame(what, wrong)
        is_done = ended.code == 0 or self._is_reported(ended)
        if is_done and (len(now) < len(self.after) or list_files(self.place) < self.files):
            figures.blame(what, f"it had said {ended.out + ended.err!r}, and not all is there")

    def do_again(self, figures: Figures, what: str) -> None:
        """The same command after its kill: it does its work, or says that it is done."""
        again, _ = run_command(self.place, self.words)
        figures.ends[f"again: exit {again.code}"] += 1
        if again.code not in {0, 2} or (again.code and len(again.lines) != 1):
            figures.blame(what, f"again: {again}")
        self._look(figures, f"{what}, again")

    def _look(self, figures: Figures, what: str) -> None:
        """Files under their names are whole, and so are all books."""
        for wrong in find_wrong_files(self.place):
            figures.blame(what, wrong)
        for book in list_books(self.place):
            for wrong in verify(book):
                figures.blame(what, f"{book.name}: {wrong}")

    def _is_reported(self, ended: Ended) -> bool:
        """Whether the user has read all that the command says."""
        said = [blur(one.out + one.err) for one in (ended, self.ended)]
        return bool(said[1].strip()) and said[0] == said[1]

    def _hold(self, now: State) -> list[str]:
        """Rows that were lost, came from nowhere, or hold what neither before nor after held."""
        kept = self.before.keys() & self.after.keys()
        lost = [f"lost {key}" for key in kept - now.keys()]
        strange = [f"strange {key}" for key in now.keys() - self.before.keys() - self.after.keys()]
        changed = [
            f"{key} holds {value[:200]}"
            for key, value in now.items()
            if value not in {self.before.get(key), self.after.get(key)}
        ]
        return lost + strange + changed


def blur(text: str) -> str:
    """A text without what differs from run to run."""
    return VARYING.sub("?", text)


def list_books(place: Path) -> list[Path]:
    """The book, and what has become a book elsewhere: copies, backups, salvaged ones."""
    return [
        one.parent for one in (place / "book/book.db", *walk_out(place)) if one.name == "book.db"
    ]


def verify(folder: Path) -> list[str]:
    """Problems of a book but for recordings that are whole and not filed yet."""
    if (folder / "book.db").stat().st_size == 0:
        # Nothing had been put into it yet.
        return []
    with JobBook.open(folder) as book:
        problems = book.verify()
    left = [str(one) for one in folder.glob("incoming/*")]
    return [one.message for one in problems if one.kind != "unfiled-recording"] + left


def read_state(place: Path) -> State:
    """Every row of the book, blurred."""
    state: State = {}
    with contextlib.closing(sqlite3.connect(place / "book/book.db")) as raw:
        for table in tables.list_numbered():
            names = [one.name for one in table.c if one.name not in {"id", "digest"}]
            for number, *values in raw.execute(f"SELECT id, {', '.join(names)} FROM {table.name}"):
                state["row", table.name, number] = blur(repr(values))
    return state


def list_files(place: Path) -> set[str]:
    """Files that a command has written for its user."""
    return {str(path.relative_to(place)) for path in walk_out(place)}


def walk_out(place: Path) -> list[Path]:
    """Files in `out` under their final names."""
    aside = re.compile(r"/\.|/incoming/|\.db-")
    return [
        path for path in sorted((place / "out").rglob("*"))
        if path.is_file() and not aside.search(str(path.relative_to(place)))
    ]  # fmt: skip


def find_wrong_files(place: Path) -> list[str]:
    """Files under their final names that are not whole."""
    wrong = []
    for path in walk_out(place):
        if path.suffix in WHOLE:
            try:
                WHOLE[path.suffix](path)
            except Exception as error:
                wrong.append(f"{path.name} is not whole: {type(error).__name__}: {error}")
    return wrong


def _ends(path: Path, end: bytes) -> None:
    if not (content := path.read_bytes()).rstrip().endswith(end):
        raise ValueError(f"{len(content)} bytes, ends with {content[-20:]!r}")


def _read_archive(path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        if bad := archive.testzip():
            raise ValueError(bad)


def _read_sound(path: Path) -> None:
    if soundfile.info(path).frames != len(soundfile.read(path)[0]):
        raise ValueError("fewer samples than its header says")


def _read_table(path: Path) -> None:
    content = path.read_text(encoding="utf-8")
    if not content.endswith("\n") or content.count('"') % 2:
        raise ValueError("its last line is not whole")


WHOLE: dict[str, Callable[[Path], object]] = {
    ".json": lambda path: json.loads(path.read_bytes()),
    ".html": lambda path: _ends(path, b"</html>"),
    ".svg": lambda path: _ends(path, b"</svg>"),
    ".png": lambda path: _ends(path, b"IEND\xaeB`\x82"),
    ".zip": _read_archive,
    ".wav": _read_sound,
    ".csv": _read_table,
}
"""How a file of each kind is known to be whole."""


def kill_now(_: str) -> None:
    """The end, without warning."""
    os.kill(os.getpid(), signal.SIGKILL)


def kill_often(trial: Trial, n_kills: int, rng: np.random.Generator, figures: Figures) -> None:
    """Two of three at a moment, the third at a random time; then the command again, to its end."""
    figures.n_moments += trial.n_moments
    for number in range(n_kills):
        trial.renew()
        at, kill_s = int(rng.integers(trial.n_moments)), None
        if number % 3 == 2:
            at, kill_s = -1, float(rng.uniform(0.0, 0.1))
        what = f"{trial.name}, moment {at} of {trial.n_moments}, time {kill_s}"
        ended, _ = run_command(trial.place, trial.words, at=at, act=kill_now, kill_s=kill_s)
        figures.n += 1
        figures.ends["killed" if ended.code is None else f"exit {ended.code}"] += 1
        trial.judge(ended, figures, what)
        if trial.name not in SLOW:
            trial.do_again(figures, what)
