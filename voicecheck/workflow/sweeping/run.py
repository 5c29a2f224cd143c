"""A sweep: record each seat, keep it, analyse it, pool the run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from voicecheck.bench.interface import Bench
from voicecheck.errors import RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Measurement, Problem, Programme, Recording, Run
from voicecheck.records.bounds import list_bounds
from voicecheck.records.orders import DEFAULT_SEATS, Stated, SweepOrder
from voicecheck.records.signals import PATHS
from voicecheck.records.terms import check_stage, check_word
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts import pool_run
from voicecheck.workflow.analysis import measure_known
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.books import check_open

BeforeSeat = Callable[[int, int], None]
AfterSeat = Callable[[int, Measurement | RecordingError], object]
"""Told what a seat gave; True where the seat is to be taken again in place of it."""
Seat = tuple[int, Measurement | RecordingError]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """
    The run that was saved, and the seats that gave no numbers.

    `was_stopped` is true where the user ended it before all seats were done.
    """

    run: Run
    failures: tuple[tuple[int, RecordingError], ...] = ()
    was_stopped: bool = False


def sweep(
    book: JobBook,
    job: int,
    *,
    stage: str,
    path: str,
    bench: Bench,
    programme: Programme,
    n_seats: int = DEFAULT_SEATS,
    before_seat: BeforeSeat | None = None,
    after_seat: AfterSeat | None = None,
    stated: Stated | None = None,
    take: int | None = None,
) -> SweepResult:
    """
    Record and analyse one path of a set at one stage.

    Each recording is in the book before it is analysed; a seat that cannot be used does not stop
    the others, and an interruption keeps the seats that are done. The sound devices of the bench
    are held for all seats, and between them.

    Parameters
    ----------
    book : JobBook
    job : int
    stage : str
        "before", "after", "reference", or a label such as the element fitted.
    path : str
        "transmit", "receive", "sidetone" or "loop".
    bench : Bench
    programme : Programme
    n_seats : int
        How often the handset is seated (and conditioned) anew.
    before_seat, after_seat : callable, optional
        Called around each seat with its number (from 1) and the count of seats, or its result.
        A seat whose `after_seat` is true is taken again; its first recording stays in the book.
    stated : Stated, optional
        A carbon set's runs that are not said to be conditioned are marked.
    take : int, optional
        Of several takes in one recording, from 1; the strongest if not given.

    Returns
    -------
    SweepResult

    Raises
    ------
    InputError
        Unknown job or path, or an empty stage.
    RecordingError
        No seat gave a usable recording; the recordings are kept.
    BenchError, JobBookError
        The bench is busy, and nothing was recorded. Or it or the book failed; the seats that are
        done are kept as a run.
    KeyboardInterrupt
        Stopped before a single seat was done.
    """
    transmitter = _check(book, job, stage, path, n_seats)
    seats: list[Seat] = []
    was_stopped = False

    def take_seat(seat: int) -> Measurement | RecordingError:
        recording = bench.play_and_record(programme, path=path, seat=seat)
        recording = _state_conditions(recording, transmitter, stated or Stated())
        recording = book.save_recording(recording, programme.recipe)
        try:
            return measure_known(programme, recording, book.list_recipes, take=take)
        except RecordingError as error:
            return error

    try:
        with hold_bench(bench, f"sweep of job {job}, {path}"):
            while len(seats) < n_seats:
                seat = len(seats) + 1
                if before_seat:
                    before_seat(seat, n_seats)
                seats.append((seat, take_seat(seat)))
                if after_seat and after_seat(*seats[-1]) is True:
                    seats.pop()
    except KeyboardInterrupt:
        was_stopped = True
        if not _list_measured(seats):
            raise
    except Exception:
        # Whatever went wrong, the seats that are done are worth keeping as a run.
        if _list_measured(seats):
            _save(book, job, stage, path, _list_measured(seats))
        raise
    failures = tuple((seat, one) for seat, one in seats if isinstance(one, RecordingError))
    if not _list_measured(seats):
        raise failures[0][1]
    run = _save(book, job, stage, path, _list_measured(seats))
    return SweepResult(run=run, failures=failures, was_stopped=was_stopped)


def _list_measured(seats: list[Seat]) -> list[Measurement]:
    return [one for _, one in seats if isinstance(one, Measurement)]


def _state_conditions(recording: Recording, transmitter: str, stated: Stated) -> Recording:
    """Put what is stated among the conditions, and mark carbon that goes without conditioning."""
    conditions = recording.conditions.replace(**stated.list_given())
    recording = recording.replace(conditions=conditions)
    is_talking = conditions.path in ("transmit", "sidetone")
    if transmitter != "carbon" or not is_talking or conditions.conditioned:
        return recording
    problem = Problem(
        kind="conditioning",
        message="it is not said that the carbon transmitter was conditioned (ITU-T P.75)",
        effect="its level may be another after conditioning; the numbers stand",
    )
    return recording.replace(problems=(*recording.problems, problem))


def _check(book: JobBook, job: int, stage: str, path: str, n_seats: int) -> str:
    """Refuse what cannot be swept; the kind of transmitter of the job's set type."""
    record = book.load_job(job)
    check_word(path, PATHS, "path")
    check_stage(stage)
    check_open(record)
    list_bounds(SweepOrder)["n_seats"].check(n_seats)
    return book.load_type(record.type_name).transmitter


def _save(book: JobBook, job: int, stage: str, path: str, measured: list[Measurement]) -> Run:
    run = pool_run(measured, job=job, path=path, stage=stage, taken_utc=get_now_utc())
    book.save_run(run)
    return run
