"""What a comparison or an owner's paper needs out of the job book."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TypeVar

from voicecheck.benchspread import STEPS
from voicecheck.jobbook import JobBook
from voicecheck.records import Baseline, Job, Run
from voicecheck.verdicts import BenchSpread, estimate_bench_spread
from voicecheck.words import FALLBACK
from voicecheck.workflow.benches.store import find_bench
from voicecheck.workflow.papers.clubs import bring_together, list_clubs

REFERENCE = "reference"
"""Stage of known-good sets."""


def find_kindred(book: JobBook, type_name: str) -> tuple[Baseline, ...]:
    """
    Newest baselines of other types with the same kind of transmitter: they lend their spread.

    A type that was measured elsewhere only is told by the club with the most sets.
    """
    transmitter = book.load_type(type_name).transmitter
    kin = {one.name for one in book.list_types() if one.transmitter == transmitter} - {type_name}
    of_clubs = [one for club in list_clubs(book) for one in club.baselines]
    of_clubs.sort(key=lambda one: one.n)
    all_of_kin = (one for one in (*of_clubs, *book.list_baselines()) if one.type_name in kin)
    return tuple({(one.type_name, one.path): one for one in all_of_kin}.values())


def current_runs(book: JobBook, job: int, stage: str) -> dict[str, Run]:
    """
    The run of each path of one stage that counts, as `choose_current` says.

    Raises
    ------
    InputError
        The job is not in the book.
    """
    runs = book.list_runs(job=job, stage=stage)
    chosen = choose_current(runs, lambda run: len(run.recordings))
    return {path: run for (path, _), run in chosen.items()}


class _Placed(Protocol):
    @property
    def path(self) -> str: ...
    @property
    def stage(self) -> str: ...


_Run = TypeVar("_Run", bound=_Placed)


def choose_current(
    runs: Sequence[_Run], count_seats: Callable[[_Run], int]
) -> dict[tuple[str, str], _Run]:
    """
    The run of each path and stage that counts: the newest, but none of one seat before more.

    Parameters
    ----------
    runs : sequence
        Each with its path and stage, the oldest first.
    count_seats : callable
        Seats of a run.

    Returns
    -------
    dict
        By path and stage.
    """
    chosen: dict[tuple[str, str], _Run] = {}
    for run in runs:
        earlier = chosen.get((run.path, run.stage))
        if earlier is None or count_seats(run) != 1 or count_seats(earlier) <= 1:
            chosen[run.path, run.stage] = run
    return chosen


def tell_passed_over(book: JobBook, job: int, stage: str) -> tuple[str, ...]:
    """
    Which later run of one seat does not take the place of an earlier one, and what lets it.

    Parameters
    ----------
    book : JobBook
    job : int
    stage : str
    """
    runs = [run for run in book.read_traces([job])[job].runs if not run.aside]
    chosen = choose_current(runs, lambda run: run.n_seats)
    newest = {(run.path, run.stage): run for run in runs}
    told = []
    for place, used in chosen.items():
        later = newest[place]
        if later is not used and used.stage == stage:
            told.append(
                f"{used.path}, {stage}: the run of {used.n_seats} seats is used, not the later one "
                f"of one seat; to use that one, `voicecheck job aside {job} {used.key} --why ...`"
            )
    return tuple(told)


def find_own_baselines(book: JobBook, type_name: str) -> dict[str, Baseline]:
    """The newest of each path of a type that was built from sets measured here."""
    return {one.path: one for one in book.list_baselines() if one.type_name == type_name}


def find_baselines(book: JobBook, type_name: str) -> dict[str, Baseline]:
    """
    The baseline of each path of a type, clubs' brought together with it; empty where none is.

    Parameters
    ----------
    book : JobBook
    type_name : str
    """
    own, clubs = find_own_baselines(book, type_name), list_clubs(book, type_name)
    found = dict(own)
    for path in dict.fromkeys(one.path for club in clubs for one in club.baselines):
        baseline = bring_together(own.get(path), clubs, path)
        if baseline is not None:
            found[path] = baseline
    return found


def find_references(
    book: JobBook, type_name: str, *, but: int | None = None
) -> dict[str, tuple[Run, ...]]:
    """Runs of known-good sets of a type by path, the oldest first; `but` leaves a job out."""
    found: dict[str, tuple[Run, ...]] = {}
    for run in book.list_runs(type_name=type_name, stage=REFERENCE):
        if run.job is None or run.job != but:
            found[run.path] = (*found.get(run.path, ()), run)
    return found


def find_bench_spreads(
    book: JobBook, after: Mapping[str, Run], before: Mapping[str, Run]
) -> dict[str, BenchSpread]:
    """
    How far the bench of two stages moves from day to day, by path.

    Parameters
    ----------
    book : JobBook
    after, before : mapping of str to Run

    Returns
    -------
    dict of str to BenchSpread
        From the history of the bench where both stages were taken on the same one; stated
        otherwise.
    """
    spreads = {}
    for path in after.keys() & before.keys() & STEPS.keys():
        names = {run.pooled.conditions.bench for run in (after[path], before[path])}
        file = find_bench(book, names.pop()) if len(names) == 1 else None
        history = (*file.results, *file.check_results) if file else ()
        spreads[path] = estimate_bench_spread(path, history)
    return spreads


def choose_language(job: Job, language: str | None) -> str:
    """The language of an owner's papers: the one that is asked for, the job's own, or English."""
    return language or job.language or FALLBACK
