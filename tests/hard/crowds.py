"""
Eight writers at once, while the database is taken away from them and given back.

By hand, with the figures of `tests/bench/hard.md`:

    PYTHONPATH=tests python tests/hard/crowds.py --steps 200 --seed 1
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import select
import sqlite3
import sys
import tempfile
import time
import traceback
import uuid
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import postgres_server
from audio_files import run_main
from jobbook_samples import make_type

from voicecheck.jobbook import JobBook

N_WRITERS = 8
SHORT_WAIT_S = 0.5
"""How long every second writer waits for others; the rest waits as the program does."""
AWAY_S = 2.0
KINDS = ("note", "open", "attach", "edit", "import")


@dataclass
class Figures:
    """What the writers told."""

    done: list[tuple[str, str]] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def prepare(folder: Path, where: str) -> None:
    """A job that all write to, and a parcel that all take in."""
    with JobBook.open(where) as book:
        book.add_type(make_type())
        book.open_job("shared", "Lakeside 4")
    with JobBook.open(folder / "abroad") as book:
        book.add_type(make_type())
        book.open_job("from abroad", "Lakeside 4")
        book.export_job(1, folder / "job.zip")


def write(folder: Path, where: str, kind: str, text: str) -> tuple[int, str]:
    """One command of a writer: its exit status and what it said."""
    (folder / f"{text}.txt").write_text(text, encoding="utf-8")
    words = {
        "note": ("job", "note", "1", text),
        "open": ("job", "open", text, "--type", "Lakeside 4"),
        "attach": ("job", "attach", "1", str(folder / f"{text}.txt")),
        "edit": ("job", "edit", "1", "--complaint", text),
        "import": ("import", str(folder / "job.zip")),
    }[kind]
    code, _, said = run_main(*words, "--book", where)
    return code, said


@dataclass(frozen=True)
class Writer:
    """One of the eight: commands until so many were done, each told when it has ended."""

    folder: Path
    where: str
    number: int
    n_steps: int
    seed: int

    def work(self, say: Callable[..., None]) -> None:
        """Write until the end."""
        rng, n_done = np.random.default_rng([self.seed, self.number]), 0
        for step in range(100 * self.n_steps):
            kind, text = KINDS[int(rng.integers(len(KINDS)))], f"writer {self.number} {step}"
            code, said = write(self.folder, self.where, kind, text)
            say(kind, text, code, said)
            n_done += code == 0
            if n_done == self.n_steps:
                return
            if code:
                select.select([], [], [], 0.1)
        raise AssertionError(f"writer {self.number}: never came to its end")


@contextlib.contextmanager
def start_writers(
    folder: Path, where: str, n_steps: int, seed: int
) -> Iterator[tuple[int, list[int]]]:
    """Eight children, and the pipe in which all of them tell."""
    reading, writing = os.pipe()
    children = []
    for number in range(N_WRITERS):
        with warnings.catch_warnings():
            # Newer Pythons warn of other threads, none of which the child needs.
            warnings.simplefilter("ignore", DeprecationWarning)
            child = os.fork()
        if child == 0:
            _be_the_child(Writer(folder, where, number, n_steps, seed), writing)
        children.append(child)
    os.close(writing)
    try:
        yield reading, children
    finally:
        os.close(reading)
        for child in children:
            with contextlib.suppress(ChildProcessError):
                os.waitpid(child, 0)


def _be_the_child(writer: Writer, writing: int) -> None:
    code = 1

    def say(*words: Any) -> None:
        # Short enough that the lines of several writers do not mix (POSIX: PIPE_BUF).
        os.write(writing, json.dumps(words).encode() + b"\n")

    try:
        os.environ["VOICECHECK_BACKUPS"] = "off"
        if writer.number % 2:
            JobBook.open.__func__.__kwdefaults__["wait_s"] = SHORT_WAIT_S  # type: ignore[attr-defined]
        writer.work(say)
        code = 0
    except BaseException:
        traceback.print_exc(file=sys.__stderr__)
    finally:
        os._exit(code)


def run_crowd(
    folder: Path, where: str, take_away: Callable[[], Any], n_steps: int, seed: int
) -> Figures:
    """All writers to their ends; after a third of their work the database is taken away."""
    figures, n_told, is_taken = Figures(), 0, False
    with start_writers(folder, where, n_steps, seed) as (reading, children):
        with os.fdopen(os.dup(reading), "rb") as pipe:
            for line in pipe:
                kind, text, code, said = json.loads(line)
                _judge(figures, kind, text, code, said)
                n_told += 1
                if n_told == N_WRITERS * n_steps // 3 and not is_taken:
                    is_taken = True
                    take_away()
        for child in children:
            _, status = os.waitpid(child, 0)
            if status:
                figures.wrong.append(f"a writer ended with {os.waitstatus_to_exitcode(status)}")
    return figures


def _judge(figures: Figures, kind: str, text: str, code: int, said: str) -> None:
    *reported, last = said.splitlines() or [""]
    # What comes after the report may fail: then it had been reported all the same.
    is_done = code == 0 or bool(reported)
    (figures.done if is_done else figures.refused).append((kind, text))
    is_told = last.startswith("voicecheck: job book") and "voicecheck: " not in "".join(reported)
    if code not in {0, 5} or (code == 5 and not is_told):
        figures.wrong.append(f"{kind}, {text}: exit {code}: {said!r}")


def check(where: str, figures: Figures) -> None:
    """What was reported is there once; what was refused is not there twice; the book is whole."""
    with JobBook.open(where, create=False) as book:
        figures.wrong += [f"{one.kind}: {one.message}" for one in book.verify()]
        shared = book.load_job(1)
        labels = Counter(job.label for job in book.list_jobs(limit=10**6))
        there = {
            "note": Counter(shared.notes),
            "open": labels,
            "attach": Counter(one.name.removesuffix(".txt") for one in shared.attachments),
        }
        n_edits = sum(event.kind == "edited" for event in book.list_events(1))
    for kind, found in there.items():
        done = {text for what, text in figures.done if what == kind}
        refused = {text for what, text in figures.refused if what == kind}
        figures.wrong += [f"{kind} {text}: lost" for text in done if found[text] != 1]
        figures.wrong += [f"{kind} {text}: twice" for text in refused if found[text] > 1]
    if labels["from abroad"] != 1:
        figures.wrong.append(f"the parcel is there {labels['from abroad']} times")
    if shared.complaint not in {text for what, text in figures.done + figures.refused}:
        figures.wrong.append(f"complaint {shared.complaint!r}, which nobody typed")
    if n_edits < sum(what == "edit" for what, _ in figures.done):
        figures.wrong.append("an edit has no line in the time line")


@contextlib.contextmanager
def on_sqlite(folder: Path) -> Iterator[tuple[str, Callable[[], None]]]:
    """A book whose file another program keeps locked for a while."""
    where = str(folder / "book")

    def take_away() -> None:
        with contextlib.closing(sqlite3.connect(f"{where}/book.db", isolation_level=None)) as raw:
            raw.execute("PRAGMA busy_timeout = 20000")
            raw.execute("BEGIN IMMEDIATE")
            time.sleep(AWAY_S)
            raw.execute("ROLLBACK")

    yield where, take_away


@contextlib.contextmanager
def on_a_server(folder: Path) -> Iterator[tuple[str, Callable[[], None]]]:
    """A book on a server that is stopped and started twice, the second time as by a kill."""
    with postgres_server.run_server() as server:
        database = server.make_database(uuid.uuid4().hex)

        def take_away() -> None:
            for how in ("fast", "immediate"):
                server.control("stop", how)
                time.sleep(AWAY_S / 2)
                server.control("start")

        yield f"{database}&recordings={folder / 'files'}", take_away


PLACES = {"sqlite": on_sqlite, "postgresql": on_a_server}


def try_crowd(folder: Path, which: str, n_steps: int, seed: int) -> Figures:
    """Eight writers on one of the databases, and what became of what they had been told."""
    with PLACES[which](folder) as (where, take_away):
        prepare(folder, where)
        # Here once, so that everything is loaded: the writers find it there.
        for kind in KINDS:
            write(folder, where, kind, "first")
        figures = run_crowd(folder, where, take_away, n_steps, seed)
        check(where, figures)
    return figures


def main() -> None:
    """Print the figures; exit status 1 where anything ended as it must not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--steps", type=int, default=100, help="of each writer")
    parser.add_argument("--seed", type=int, default=1)
    asked, is_wrong = parser.parse_args(), False
    for which in PLACES:
        with tempfile.TemporaryDirectory() as folder:
            figures = try_crowd(Path(folder), which, asked.steps, asked.seed)
        told = f"{len(figures.done)} done, {len(figures.refused)} refused"
        sys.stdout.write(f"{which}, seed {asked.seed}: {told}; {len(figures.wrong)} wrong\n")
        sys.stdout.writelines(f"{one}\n" for one in figures.wrong)
        is_wrong |= bool(figures.wrong)
    sys.exit(is_wrong)


if __name__ == "__main__":
    main()
