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
AfterSeat = Callable[[int, Measurement | RecordingError], None]


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
    measurements: list[Measurement] = []
    failures: list[tuple[int, RecordingError]] = []
    was_stopped = False
    try:
        with hold_bench(bench, f"sweep of job {job}, {path}"):
            for seat in range(1, n_seats + 1):
                if before_seat:
                    before_seat(seat, n_seats)
                recording = bench.play_and_record(programme, path=path, seat=seat)
                recording = _state_conditions(recording, transmitter, stated or Stated())
                recording = book.save_recording(recording, programme.recipe)
                result: Measurement | RecordingError
                try:
                    result = measure_known(programme, recording, book.list_recipes, take=take)
                    measurements.append(result)
                except RecordingError as error:
                    result = error
                    failures.append((seat, error))
                if after_seat:
                    after_seat(seat, result)
    except KeyboardInterrupt:
        was_stopped = True
        if not measurements:
            raise
    except Exception:
        # Whatever went wrong, the seats that are done are worth keeping as a run.
        if measurements:
            _save(book, job, stage, path, measurements)
        raise
    if not measurements:
        raise failures[0][1]
    run = _save(book, job, stage, path, measurements)
    return SweepResult(run=run, failures=tuple(failures), was_stopped=was_stopped)


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
