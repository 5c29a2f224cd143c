"""
Bench set-ups, their calibrations and checks, as the job book keeps them.

Every change is a new document; what counts is found by going through them in order. A result
counts for as long as the wires that it was taken with are those of the set-up.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

import msgspec

from voicecheck.bench.calibration.guides import load_guides
from voicecheck.bench.hardware import check_setup
from voicecheck.benchspread import SEATS_PATH, SEATS_STEP, STEPS
from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import BenchCheck, BenchRecord, BenchSetup, Run, StepResult
from voicecheck.records.documents import from_json, to_json
from voicecheck.records.times import get_now_utc

Document = TypeVar("Document")
SETUP, REMOVED, STEP, CHECK, CHECK_STEP = (
    "setup",
    "removed",
    "calibration-step",
    "check",
    "check-step",
)
SITTING_H = 12.0
"""A day at the bench may run past midnight; what is this old is still of the same sitting."""

VOIDING_ALL = ("device", "input_device", "host_api", "rate_hz")
"""No step counts any more once one of these has changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFile:
    """
    Everything that the book knows of one bench.

    Parameters
    ----------
    setup : BenchSetup
    results : tuple of StepResult
        That were taken with the wires as they are now, the oldest first.
    history : tuple of StepResult
        All of them, those of earlier wirings too.
    check_results : tuple of StepResult
        Of daily checks.
    checks : tuple of BenchCheck
        The oldest first.
    """

    setup: BenchSetup
    results: tuple[StepResult, ...] = ()
    history: tuple[StepResult, ...] = ()
    check_results: tuple[StepResult, ...] = ()
    checks: tuple[BenchCheck, ...] = ()


def find_bench(book: JobBook, name: str) -> BenchFile | None:
    """
    A bench by its name; `None` where there is none, or it was removed.

    Raises
    ------
    JobBookError
        A document about it cannot be read.
    """
    if not name.strip():
        return None
    return _replay(book.list_bench_records(name=name))


def load_bench(book: JobBook, name: str) -> BenchFile:
    """
    A bench that must be there.

    Raises
    ------
    InputError
        There is none of that name.
    JobBookError
        A document about it cannot be read.
    """
    found = find_bench(book, name)
    if found is None:
        known = ", ".join(file.setup.name for file in list_benches(book)) or "none yet"
        message = f"bench {name!r}: not in this book (there: {known}); `voicecheck bench add` it"
        raise InputError(message)
    return found


def list_benches(book: JobBook) -> tuple[BenchFile, ...]:
    """All benches of the book, by name."""
    by_name: dict[str, list[BenchRecord]] = {}
    for record in book.list_bench_records():
        by_name.setdefault(record.name, []).append(record)
    files = (_replay(by_name[name]) for name in sorted(by_name))
    return tuple(file for file in files if file is not None)


def add_setup(book: JobBook, setup: BenchSetup) -> None:
    """
    Keep a new set-up.

    Raises
    ------
    InputError
        It cannot be, or its name is taken.
    """
    check_setup(setup)
    if find_bench(book, setup.name) is not None:
        message = f"bench {setup.name!r} is in this book already: edit it, or take another name"
        raise InputError(message)
    book.save_bench_record(SETUP, setup.name, to_json(setup).decode())


def change_setup(book: JobBook, setup: BenchSetup) -> tuple[str, ...]:
    """
    Keep the changed set-up of a bench.

    Returns
    -------
    tuple of str
        Steps of its calibration that no longer count.

    Raises
    ------
    InputError
        It cannot be, or there is no such bench.
    """
    check_setup(setup)
    before = load_bench(book, setup.name)
    voided = _list_voided(before.setup, setup)
    book.save_bench_record(SETUP, setup.name, to_json(setup).decode())
    done = {result.step for result in before.results}
    return tuple(step for step in load_guides() if step in voided and step in done)


def remove_setup(book: JobBook, name: str) -> None:
    """
    Take a bench off the list; its calibration does not count for a later one of that name.

    Raises
    ------
    InputError
        There is no such bench.
    """
    load_bench(book, name)
    book.save_bench_record(REMOVED, name, "{}")


def save_result(book: JobBook, result: StepResult, *, is_check: bool = False) -> None:
    """Keep the result of a step, of a calibration or of a daily check."""
    kind = CHECK_STEP if is_check else STEP
    book.save_bench_record(kind, result.bench, to_json(result).decode())


def save_check(book: JobBook, check: BenchCheck) -> None:
    """Keep a daily check."""
    book.save_bench_record(CHECK, check.bench, to_json(check).decode())


def find_check_of_day(checks: Iterable[BenchCheck], time_utc: str) -> BenchCheck | None:
    """
    The bench check that goes with something measured at a time.

    Parameters
    ----------
    checks : iterable of BenchCheck
    time_utc : str
        ISO 8601.

    Returns
    -------
    BenchCheck or None
        The latest of the same sitting before it; else the first one after it on that day (UTC).
    """
    at = datetime.datetime.fromisoformat(time_utc)
    sitting = datetime.timedelta(hours=SITTING_H)
    timed = sorted(
        ((datetime.datetime.fromisoformat(check.time_utc), check) for check in checks),
        key=lambda pair: pair[0],
    )
    is_near = [
        (time, check)
        for time, check in timed
        if time.date() == at.date() or datetime.timedelta() <= at - time <= sitting
    ]
    before = [check for time, check in is_near if time <= at]
    return before[-1] if before else (is_near[0][1] if is_near else None)


def find_check_of_runs(book: JobBook, runs: Iterable[Run]) -> BenchCheck | None:
    """The bench check of the day of the newest run that has one."""
    dated = ((run.taken_utc, run.pooled.conditions.bench) for run in runs if run.taken_utc)
    for taken_utc, name in sorted(dated, reverse=True):
        file = find_bench(book, name)
        check = find_check_of_day(file.checks, taken_utc) if file is not None else None
        if check is not None:
            return check
    return None


def describe_check_of_now(file: BenchFile) -> tuple[str, ...]:
    """What should be known of the bench check before measuring; nothing where it passed."""
    now_utc = get_now_utc()
    check = find_check_of_day(file.checks, now_utc)
    if check is None:
        return (f'not checked today: `voicecheck bench check "{file.setup.name}"` does it',)
    moved = ", ".join(item.quantity for item in check.items if item.verdict == "moved")
    return (f"the bench check of today found that something moved: {moved}",) if moved else ()


def _list_voided(before: BenchSetup, after: BenchSetup) -> set[str]:
    """Steps whose results do not hold for the changed set-up."""
    changed = {
        field.name
        for field in dataclasses.fields(BenchSetup)
        if getattr(before, field.name) != getattr(after, field.name)
    }
    voided = {
        name
        for name, guide in load_guides().items()
        if not changed.isdisjoint((*VOIDING_ALL, *guide.voided_by))
    }
    # Seats of two days rest on what the reference handset rests on.
    return voided | {SEATS_STEP} if voided.intersection(STEPS[SEATS_PATH]) else voided


def _replay(records: Iterable[BenchRecord]) -> BenchFile | None:
    """Go through the documents of one bench in the order in which they were kept."""
    file: BenchFile | None = None
    for record in records:
        if record.kind == REMOVED:
            file = None
        elif record.kind == SETUP:
            setup = _read(record, BenchSetup)
            file = _rewire(file, setup) if file is not None else BenchFile(setup=setup)
        elif file is not None and record.kind in (STEP, CHECK_STEP, CHECK):
            file = _append(file, record)
    return file


def _rewire(file: BenchFile, setup: BenchSetup) -> BenchFile:
    voided = _list_voided(file.setup, setup)
    return dataclasses.replace(
        file,
        setup=setup,
        results=tuple(result for result in file.results if result.step not in voided),
        check_results=tuple(result for result in file.check_results if result.step not in voided),
    )


def _append(file: BenchFile, record: BenchRecord) -> BenchFile:
    if record.kind == CHECK:
        return dataclasses.replace(file, checks=(*file.checks, _read(record, BenchCheck)))
    result = _read(record, StepResult)
    if record.kind == CHECK_STEP:
        return dataclasses.replace(file, check_results=(*file.check_results, result))
    return dataclasses.replace(
        file, results=(*file.results, result), history=(*file.history, result)
    )


def _read(record: BenchRecord, kind: type[Document]) -> Document:
    try:
        return from_json(record.document, kind)
    except msgspec.MsgspecError as error:
        message = (
            f"bench {record.name!r}: the {record.kind} of {record.saved_utc} in the book cannot be "
            f"read ({error}); `voicecheck book verify` shows the damage"
        )
        raise JobBookError(message) from error
