"""
A process that works on a book, killed without warning, and what must be true afterwards.

By hand, with the figures of `tests/bench/hard.md`:

    PYTHONPATH=tests python tests/hard/book_kills.py --kills 300 --seed 1

The child says what it has saved by a line in a pipe, after the call has returned. The parent
kills it at a random moment and holds the book to every line that it has read.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import json
import os
import select
import signal
import sqlite3
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from jobbook_samples import (
    draw_measurement,
    draw_recording,
    draw_run,
    draw_small_run,
    make_type,
    measure_level,
)

from voicecheck.jobbook import JobBook
from voicecheck.records import Recipe, RecordingInfo

OLD_LAYOUT = Path(__file__).parents[2] / "fixtures" / "golden" / "jobbook_0001.sql"
N_PARCELS = 6
N_SEATS = 2
LONGEST_WAIT_S = 0.03

Say = Callable[..., None]


def prepare(folder: Path) -> None:
    """Parcels and a file for the children to take in."""
    with JobBook.open(folder / "source") as book:
        book.add_type(make_type())
        (folder / "photo.jpg").write_bytes(bytes(range(256)) * 2000)
        for number in range(N_PARCELS):
            job = book.open_job(f"parcel{number}", "Lakeside 4").job
            stored = book.save_recording(draw_recording(900 + number, 9000), Recipe())
            seat = draw_measurement(number, stored.sha256)
            book.save_run(draw_run(number, job=job, recordings=(seat,) * N_SEATS))
            book.add_note(job, "packed")
            book.attach_file(job, folder / "photo.jpg")
            book.export_job(job, folder / f"parcel{number}.zip", with_owner=True)


def start_old_book(folder: Path) -> None:
    """A book in the first layout, so that opening it is a migration."""
    folder.mkdir(mode=0o700)
    with contextlib.closing(sqlite3.connect(folder / "book.db")) as raw:
        raw.executescript(OLD_LAYOUT.read_text())


def work(folder: Path, place: Path, rng: np.random.Generator, say: Say) -> None:
    """What the child does until it is killed."""
    with JobBook.open(place, wait_s=10) as book:
        say("opened")
        book.add_type(make_type())
        say("type")
        steps = (_take, _sweep, _note, _attach, _import, _analyse, _back_up)
        for step in iter(lambda: steps[rng.integers(len(steps))], None):
            step(folder, book, rng, say)


def _take(_: Path, book: JobBook, rng: np.random.Generator, say: Say) -> None:
    taken = draw_recording(int(rng.integers(1 << 30)), int(rng.integers(1000, 40000)))
    say("recording", book.save_recording(taken, Recipe()).sha256)


def _sweep(_: Path, book: JobBook, rng: np.random.Generator, say: Say) -> None:
    job = book.open_job("swept", "Lakeside 4")
    say("job", job.job)
    taken = draw_recording(int(rng.integers(1 << 30)), 4000)
    stored = book.save_recording(taken, Recipe())
    say("recording", stored.sha256)
    run = draw_small_run(1, job.job)
    seat = run.recordings[0].replace(recording=RecordingInfo(sha256=stored.sha256))
    number = book.save_run(dataclasses.replace(run, recordings=(seat,) * N_SEATS))
    say("run", number, job.job)


def _note(_: Path, book: JobBook, rng: np.random.Generator, say: Say) -> None:
    # A closed job takes no note; the old book has one.
    jobs = [job for job in book.list_jobs(limit=5) if job.closed_utc is None]
    if jobs:
        text = f"note {rng.integers(1 << 60)}"
        number = jobs[int(rng.integers(len(jobs)))].job
        book.add_note(number, text)
        say("note", number, text)


def _attach(folder: Path, book: JobBook, _: np.random.Generator, say: Say) -> None:
    for job in book.list_jobs(limit=1):
        kept = book.attach_file(job.job, folder / "photo.jpg")
        say("file", job.job, kept.sha256)


def _import(folder: Path, book: JobBook, rng: np.random.Generator, say: Say) -> None:
    name = f"parcel{rng.integers(N_PARCELS)}"
    book.import_parcel(folder / f"{name}.zip")
    say("import", name)


def _analyse(_: Path, book: JobBook, rng: np.random.Generator, say: Say) -> None:
    version = f"9.{rng.integers(3)}"
    done = book.analyse_again(measure_level, lambda old, _: old, version=version, n_workers=1)
    say("analysed", version, done.n_recordings)


def _back_up(_: Path, book: JobBook, __: np.random.Generator, say: Say) -> None:
    book.backup(Path(book.name).with_name(f"{Path(book.name).name}-backup"))
    say("backup", book.count_jobs())


def kill_one(folder: Path, place: Path, rng: np.random.Generator) -> list[list[object]]:
    """Start a child, kill it at a random moment, give the lines that it had said."""
    n_lines = int(rng.integers(0, 9))
    wait_s = float(rng.uniform(0.0, LONGEST_WAIT_S))
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        _be_the_child(folder, place, int(rng.integers(1 << 30)), writing)
    os.close(writing)
    said = b""
    with os.fdopen(reading, "rb", buffering=0) as pipe:
        while said.count(b"\n") < n_lines and (some := pipe.read(4096)):
            said += some
        select.select([], [], [], wait_s)
        os.kill(child, signal.SIGKILL)
        while some := pipe.read(4096):
            said += some
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), said.decode()
    return [
        json.loads(line) for line in said.decode().splitlines(keepends=True) if line[-1] == "\n"
    ]


def _be_the_child(folder: Path, place: Path, seed: int, writing: int) -> None:
    def say(*words: object) -> None:
        os.write(writing, json.dumps(words).encode() + b"\n")

    try:
        work(folder, place, np.random.default_rng(seed), say)
    except BaseException:
        traceback.print_exc(file=sys.stderr)
    finally:
        os._exit(1)


def check(place: Path, said: list[list[object]], *, is_old: bool) -> Counter[str]:
    """Everything that was said is there, nothing is half there; counts by kind."""
    with JobBook.open(place) as book:
        assert {problem.kind for problem in book.verify()} <= {"unfiled-recording"}
        assert not list((place / "incoming").glob("*"))
        for kind, *words in said:
            _check_line(book, place, str(kind), words)
        labels = Counter(job.label for job in book.list_jobs(limit=10**6))
        for number in range(N_PARCELS):
            assert labels[f"parcel{number}"] <= 1
        for job in book.list_jobs(limit=10**6):
            assert book.list_events(job.job)[0].kind == "opened"
            if job.label.startswith("parcel"):
                assert job.notes[:1] == ("packed",)
                assert len(job.attachments) == 1
                assert len(book.list_runs(job=job.job)) == 1
        if is_old:
            assert (labels["hall set"], labels["desk set"]) == (1, 1)
            assert book.list_runs(job=1)[0].same_as(draw_small_run(1, 1))
        n_seats = {len(run.recordings) for run in book.list_runs() if run.job not in (1, 2)}
        assert is_old or n_seats <= {N_SEATS}
    return Counter(str(kind) for kind, *_ in said)


def _check_line(book: JobBook, place: Path, kind: str, words: list[object]) -> None:
    if kind == "recording":
        book.load_recording(str(words[0]))
    elif kind == "job":
        assert book.load_job(int(str(words[0]))).label == "swept"
    elif kind == "run":
        run = book.load_run(int(str(words[0])))
        assert run.job == words[1]
        assert len(run.recordings) == N_SEATS
    elif kind == "note":
        assert words[1] in book.load_job(int(str(words[0]))).notes
    elif kind == "file":
        assert words[1] in [one.sha256 for one in book.load_job(int(str(words[0]))).attachments]
        book.locate_attachment(str(words[1]))
    elif kind == "import":
        assert book.count_jobs(search=str(words[0])) == 1
    elif kind == "type":
        assert book.load_type("Lakeside 4") == make_type()
    elif kind == "backup":
        with JobBook.open(place.with_name(f"{place.name}-backup"), create=False) as copy:
            # A later backup into it may have been killed between its files and its rows.
            assert {problem.kind for problem in copy.verify()} <= {"unfiled-recording"}
            assert copy.count_jobs() >= int(str(words[0]))


def run_rounds(folder: Path, n_rounds: int, seed: int) -> Iterator[Counter[str]]:
    """Kill after kill: every third book starts in the first layout, each lives five rounds."""
    prepare(folder)
    rng = np.random.default_rng(seed)
    for round_ in range(n_rounds):
        # Books that migrate are killed early, in their first moments.
        is_old = round_ % 3 == 0
        place = folder / (f"old {round_}" if is_old else f"book {round_ // 15}")
        if is_old:
            start_old_book(place)
        said = kill_one(folder, place, rng)
        yield check(place, said, is_old=is_old)


def main() -> None:
    """Print what had been reported as saved before the kills; stops at the first thing lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    said: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for counts in run_rounds(Path(folder), asked.kills, asked.seed):
            said += counts
    sys.stdout.write(
        f"{asked.kills} kills, seed {asked.seed}: nothing lost of {said.total()} things that were "
        f"reported as saved ({dict(said)})\n"
    )


if __name__ == "__main__":
    main()
