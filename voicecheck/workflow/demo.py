"""The main job from one end to the other, on the simulated bench."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from pathlib import Path

from voicecheck.bench.interface import Bench
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Comparison, Job, Programme, Recipe, Recording, SetType
from voicecheck.records.orders import SimulatedSource
from voicecheck.workflow.benches.choosing import make_simulated_bench
from voicecheck.workflow.papers.comparing import build_baselines, compare
from voicecheck.workflow.papers.reporting import report_job
from voicecheck.workflow.sweeping.run import sweep
from voicecheck.writing import DOOR, Door

DEMO_TYPE = SetType(
    name="Harbour 12",
    transmitter="carbon",
    feed_ma=40.0,
    region="",
    notes="Invented type for the demo, on the simulated bench.",
)
FOUND_HANDSET = "carbon+packed+frying+weak-magnet"
RESTORED_HANDSET = "carbon"
PATHS = ("transmit", "receive", "sidetone")
N_REFERENCE_SETS, N_SEATS = 8, 3
JOB_SEED = 101
DEMO_LABEL, REFERENCE_LABEL = "Harbour 12, green, hall table", "reference set"
DEMO_WORK = "Fitted a healthy carbon element; re-magnetised the receiver."
SEAL = "demo"
"""Kind of the document that says how far a demo's book had come."""

Say = Callable[[str], None]
Advance = Callable[[], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoResult:
    """What the demo found, and where its files are."""

    before: Comparison
    after: Comparison
    change: Comparison
    files: tuple[Path, ...]


def count_takes() -> int:
    """How many recordings the demo makes, for a progress bar."""
    return (N_REFERENCE_SETS + 2) * len(PATHS) * N_SEATS


def run_demo(folder: str | Path, *, say: Say, advance: Advance, door: Door = DOOR) -> DemoResult:
    """
    Eight reference sets, a baseline, a faulty set before and after its repair, a report.

    Parameters
    ----------
    folder : path
        For the job book and the report; a demo that is there already is replaced.
    say : callable
        Told in the user's words what happens.
    advance : callable
        Called after each recording.
    door : Door

    Returns
    -------
    DemoResult

    Raises
    ------
    InputError
        The folder holds something else, or cannot be written.
    """
    folder = door.make_folder(folder)
    book_folder = folder / "book"
    _clear(book_folder)
    programme = make_programme()
    with JobBook.open(book_folder) as book, _workers() as workers:
        book.add_type(DEMO_TYPE)
        player = _Player(book, programme, workers, advance)
        say(f"Sweeping {N_REFERENCE_SETS} healthy sets of the invented type {DEMO_TYPE.name}.")
        for index in range(1, N_REFERENCE_SETS + 1):
            opened = book.open_job(f"{REFERENCE_LABEL} {index}", DEMO_TYPE.name)
            player.sweep_all(
                opened.job, "reference", _Set(SimulatedSource(handset="carbon", seed=index))
            )
        build_baselines(book, DEMO_TYPE.name)
        say("Built the baseline of the type from them.")
        job = book.open_job(
            DEMO_LABEL,
            DEMO_TYPE.name,
            owner="M. Example",
            complaint="People say I am faint and crackly, and I can hardly hear them.",
        ).job
        say(f"Job {job}: a set comes in. Sweeping it as found (before).")
        player.sweep_all(job, "before", _Set(SimulatedSource(handset=FOUND_HANDSET, seed=JOB_SEED)))
        before = compare(book, job, stage="before")
        say(f"Against the baseline it is {before.overall}; the first suspect: {_suspect(before)}.")
        book.add_note(job, DEMO_WORK)
        book.set_stage(job, "after")
        say("Fitting a healthy element and re-magnetising the receiver. Sweeping again (after).")
        restored = _Set(
            SimulatedSource(handset=RESTORED_HANDSET, seed=JOB_SEED, specimen=2),
            seats_before=N_SEATS,
        )
        player.sweep_all(job, "after", restored)
        after = compare(book, job, stage="after")
        change = compare(book, job, stage="after", against="before")
        say(f"Against the baseline it is now {after.overall}.")
        files = report_job(book, job, folder, door=door)
        _seal(book)
    return DemoResult(before=before, after=after, change=change, files=files)


def _suspect(comparison: Comparison) -> str:
    return comparison.hints[0].cause if comparison.hints else "none"


def _clear(book_folder: Path) -> None:
    """Remove the book of an earlier demo, and nothing that is not one."""
    import shutil

    if not book_folder.exists():
        return
    if book_folder.is_symlink() or not (book_folder / "book.db").is_file():
        raise InputError(f"{book_folder} is there and is no job book; choose another --out")
    if not _is_of_a_demo(book_folder):
        raise InputError(
            f"{book_folder} holds more than a demo; nothing was removed; choose another --out"
        )
    shutil.rmtree(book_folder)


def _is_of_a_demo(book_folder: Path) -> bool:
    """Whether nobody has put anything of their own into a book since the demo left it."""
    own = {DEMO_LABEL, *(f"{REFERENCE_LABEL} {n}" for n in range(1, N_REFERENCE_SETS + 1))}
    with JobBook.open(book_folder, create=False) as book:
        types = {one.name for one in book.list_types()}
        jobs = book.list_jobs(limit=len(own) + 1)
        labels = [one.label for one in jobs]
        is_ours = types <= {DEMO_TYPE.name} and set(labels) <= own
        if not is_ours or len(labels) > len(set(labels)) or book.list_removed():
            return False
        records = book.list_bench_records()
        if not records:
            # Of a demo that was stopped, or from before demos sealed their books.
            return all(_is_untouched(book, one) for one in jobs)
        return len(records) == 1 and records[0].document == _read_seal(book)


def _seal(book: JobBook) -> None:
    """Keep how far the book had come when the demo left it."""
    book.save_bench_record(SEAL, DEMO_LABEL, _read_seal(book))


def _read_seal(book: JobBook) -> str:
    marks = book.find_marks()
    return f'{{"event": {marks.event}, "types": "{marks.types}"}}'


def _is_untouched(book: JobBook, job: Job) -> bool:
    """Whether the time line of a job has nothing that a demo does not do, or does once."""
    lines = [(one.kind, one.text) for one in book.list_events(job.job)]
    done = [line for line in lines if line[0] in ("opened", "run", "compared")]
    return len(set(done)) == len(done) and set(lines) - set(done) <= {("note", DEMO_WORK)}


@contextmanager
def _workers() -> Iterator[Executor | None]:
    """A process for each core, since a simulated take keeps one busy; none on one core."""
    n_cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    if (n_cores or 1) < 2:
        yield None
        return
    spawn = get_context("spawn")
    with ProcessPoolExecutor(min(n_cores or 1, 4), spawn, _end_with_the_demo) as pool:
        yield pool


def _end_with_the_demo() -> None:
    """A worker whose demo was killed would wait for work for ever."""

    def wait() -> None:
        if (demo := parent_process()) is not None:
            demo.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


@dataclass(frozen=True, slots=True)
class _Set:
    """
    One simulated telephone: which parts, whose faults.

    Another noise comes with every seat: seats after those of an earlier stage are new ones, or
    both stages would hold the same recordings.
    """

    source: SimulatedSource
    seats_before: int = 0

    def take(self, recipe: Recipe, path: str, seat: int) -> Recording:
        """Record once; runs in a worker process."""
        bench = make_simulated_bench(self.source, DEMO_TYPE)
        recording = bench.play_and_record(
            make_programme(recipe), path=path, seat=self.seats_before + seat
        )
        return recording.replace(conditions=recording.conditions.replace(seat=seat))


class _SetInWorkers(Bench):
    """A bench whose takes are made side by side and handed over in order."""

    def __init__(self, one: _Set, recipe: Recipe, workers: Executor | None) -> None:
        self.one = one
        self.waiting = (
            {
                (path, seat): workers.submit(one.take, recipe, path, seat)
                for path in PATHS
                for seat in range(1, N_SEATS + 1)
            }
            if workers
            else {}
        )

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """Hand over a take, or make it now where there are no workers."""
        future = self.waiting.get((path, seat))
        return future.result() if future else self.one.take(programme.recipe, path, seat)


@dataclass(frozen=True, slots=True)
class _Player:
    """Sweeps all paths of a set."""

    book: JobBook
    programme: Programme
    workers: Executor | None
    advance: Advance

    def sweep_all(self, job: int, stage: str, one: _Set) -> None:
        """Sweep every path at one stage."""
        bench = _SetInWorkers(one, self.programme.recipe, self.workers)
        for path in PATHS:
            sweep(
                self.book,
                job,
                stage=stage,
                path=path,
                bench=bench,
                programme=self.programme,
                n_seats=N_SEATS,
                after_seat=lambda *_: self.advance(),
            )
