"""Runs, checks and trials of a job by the keys that move them or put them aside."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.jobbook.traces import RunTrace
from voicecheck.workflow.checks.checklist import describe_stored
from voicecheck.workflow.checks.run import list_checks
from voicecheck.workflow.trials import read_trials
from voicecheck.workflow.trialwords import say_outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptTake:
    """
    One run, check or trial of a job.

    Parameters
    ----------
    key : str
        "run-12" or "check-34", as `JobBook.move`, `put_aside` and `bring_back` take it.
    name, stage, told : str
        Path, kind of check, or "trial" and its name; what was found, in a line.
    aside : str
        Why it does not count; "" if it does.
    simulated : bool
    n_seats : int
        Recordings of a run; 0 of a check.
    """

    key: str
    name: str
    stage: str
    told: str
    aside: str = ""
    simulated: bool = False
    n_seats: int = 0


def list_takes(book: JobBook, job: int) -> tuple[KeptTake, ...]:
    """
    Runs, then checks, then trials of a job, the oldest first, those put aside, too.

    Raises
    ------
    InputError
        No such job.
    """
    checks = list_checks(book, job, aside=True)
    trials = read_trials(book, book.load_job(job), aside=True)
    keys = book.read_file_keys(job)
    return (
        *map(_keep_run, book.read_traces([job])[job].runs),
        *(
            KeptTake(
                key=keys[one.document_sha256],
                name=f"{one.kind} {one.part}".strip(),
                stage=one.stage,
                told=describe_stored(one),
                aside=one.aside,
                simulated=one.is_simulated,
            )
            for one in checks
        ),
        *(
            KeptTake(
                key=keys[one.document_sha256],
                name=f"trial {one.trial.name}",
                stage=one.stage,
                told=say_outcome(one.trial),
                aside=one.aside,
                simulated=one.is_simulated,
            )
            for one in trials
        ),
    )


def _keep_run(run: RunTrace) -> KeptTake:
    return KeptTake(
        key=run.key,
        name=run.path,
        stage=run.stage,
        told=f"{run.n_seats} seat{'' if run.n_seats == 1 else 's'}, {run.saved_utc[:16]}",
        aside=run.aside,
        simulated=run.is_simulated,
        n_seats=run.n_seats,
    )


def read_sound(book: JobBook, job: int, key: str, seat: int) -> bytes:
    """
    The recording of one seat of a run, as the FLAC file that the book keeps.

    Parameters
    ----------
    book : JobBook
    job : int
    key : str
        Of the run, as `KeptTake.key`.
    seat : int
        From 1.

    Raises
    ------
    InputError
        No such job, run or seat, or its recording did not come along with it.
    JobBookError
        The file is missing or damaged.
    """
    # Both list the runs of a job in one order; only the traces know their keys.
    keys = [run.key for run in book.read_traces([job])[job].runs]
    runs = book.list_runs(job=job, aside=True)
    found = [run for one, run in zip(keys, runs, strict=True) if one == key]
    sounds = [one.recording.sha256 for run in found for one in run.recordings]
    if not 1 <= seat <= len(sounds) or sounds[seat - 1] is None:
        raise InputError(f"{key[:40]}: has no recording of seat {seat}")
    return book.load_recording_file(str(sounds[seat - 1]))
