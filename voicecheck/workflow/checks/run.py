"""Any check: take a recording or typed readings, analyse, keep both with the job."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from voicecheck import __version__
from voicecheck.bench.soundfiles import save_sound
from voicecheck.errors import InputError, JobBookError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Attachment, Job, Problem, Recording, from_json, to_document
from voicecheck.records.signals import SIMULATED
from voicecheck.records.terms import JobStage, check_word, words_of
from voicecheck.records.times import get_now_utc
from voicecheck.workflow.books import attach_file, check_open
from voicecheck.workflow.checks.kinds import (
    Check,
    CheckKind,
    fit_region,
    get_kind,
    list_kinds,
    load_files,
)
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import Heard, Progress, take_scene

STAGES = words_of(JobStage)
"""A check is held against itself, as found and after the work; it has no references."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCheck:
    """
    One check of a job as it is kept; `sound_sha256` is "" where nothing was recorded.

    `aside` says why it does not count, "" if it does; `document_sha256` is its document's.
    """

    kind: str
    stage: str
    part: str
    taken_utc: str
    bench: str
    check: Check
    sound_sha256: str = ""
    aside: str = ""
    document_sha256: str = ""

    @property
    def is_simulated(self) -> bool:
        """Whether no real telephone was listened to."""
        return self.bench == SIMULATED


def name_document(kind: str) -> str:
    """Name of the job's file that holds a check of this kind."""
    return f"check-{kind}.json"


def find_number(kind: str, so_far: Recording, options: Any) -> str:
    """
    Digits that are complete in what has been recorded so far; "" where nothing can be said yet.

    Parameters
    ----------
    kind : str
        Of a check whose digits roll by.
    so_far : Recording
    options : record
        Of that kind.
    """
    face = get_kind(kind)
    if face.measure is None or face.read_number is None:
        return ""
    try:
        check = face.measure(so_far, options)
    except RecordingError:
        return ""
    return face.read_number(check, so_far.duration_s)


def run_check(
    kind: str,
    source: Source | None,
    options: Any = None,
    *,
    book: JobBook | None = None,
    job: int | None = None,
    stage: str = "",
    progress: Progress | None = None,
    heard: Heard | None = None,
) -> tuple[Check, dict[str, Any]]:
    """
    Take, keep, analyse, keep: with a job the recording is on disk before it is analysed.

    Parameters
    ----------
    kind : str
    source : Source or None
        `None` for readings that are typed in.
    options : record, optional
        Of that kind; its defaults without.
    book, job : JobBook and int, optional
        Where it is kept; nowhere without.
    stage : str
        "before" or "after"; "" is the job's.
    progress, heard : callable, optional

    Returns
    -------
    check : record
    document : dict
        What is kept: the record's JSON with job, stage, time, recording and version.

    Raises
    ------
    InputError
        Unknown job, stage or region, or a value out of range.
    RecordingError
        The recording cannot be used; with a job it is kept.
    BenchError, JobBookError
        The device or the book failed.
    """
    face = get_kind(kind)
    options = fit_region(face, face.options() if options is None else options)
    if source is not None:
        options, source = load_files(face, options, source, book)
    if book is None or job is None:
        recording = _take(face, source, options, progress, heard)
        check = _measure(face, recording, options)
        return check, {**make_document(face, check), **_shout(recording)}
    check_open(book.load_job(job))
    stage = choose_stage(book, job, stage)
    set_type = book.load_type(book.load_job(job).type_name)
    options = fit_region(face, options, set_type.region)
    if hasattr(options, "normal_values"):
        options = dataclasses.replace(options, normal_values=set_type.normal_values)
    recording = _take(face, source, options, progress, heard)
    kept = _keep_sound(book, job, f"{kind}-{stage}", source, recording)
    try:
        check = _measure(face, recording, options)
    except RecordingError as error:
        told = f"{error}; the recording is kept with job {job}"
        raise RecordingError(told, error.kind, error.at_s) from error
    document = {
        **make_document(face, check),
        **_shout(recording),
        "job": job,
        "stage": stage,
        "part": options.moved if face.is_paced else getattr(options, "part", ""),
        "bench": recording.conditions.bench if recording else "",
        "taken_utc": get_now_utc(),
        "version": __version__,
        "recording_sha256": kept.sha256 if kept else None,
    }
    save_document(book, job, name_document(kind), document)
    return check, document


def _take(
    kind: CheckKind,
    source: Source | None,
    options: Any,
    progress: Progress | None,
    heard: Heard | None,
) -> Recording | None:
    if kind.measure is None:
        return None
    if source is None:
        raise InputError(f"{kind.name}: need a recording, a made scene or a sound device")
    return take_scene(kind.name, source, options, progress=progress, heard=heard)


def _measure(kind: CheckKind, recording: Recording | None, options: Any) -> Check:
    if kind.measure is not None and recording is not None:
        check: Check = kind.measure(recording, options)
    elif kind.rate is not None:
        check = kind.rate(options)
    else:
        message = f"{kind.name}: a check needs `measure` or `rate`"
        raise NotImplementedError(message)
    return check


def _shout(recording: Recording | None) -> dict[str, bool]:
    """What a document says of a scene that was made."""
    made = recording is not None and recording.conditions.bench == SIMULATED
    return {"simulated": True} if made else {}


def make_document(kind: CheckKind, check: Check) -> dict[str, Any]:
    """JSON document of a check's record, its schema first."""
    return {"schema": kind.schema, **to_document(check)}


def choose_stage(book: JobBook, job: int, stage: str) -> str:
    """
    Stage of a new check: as asked for, else the job's.

    Raises
    ------
    InputError
        Another stage, or no such job.
    """
    if not stage:
        return book.load_job(job).stage
    check_word(stage, STAGES, "stage")
    return stage


def save_document(book: JobBook, job: int, name: str, document: Mapping[str, Any]) -> None:
    """Keep a JSON document as a file of the job."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(msgspec.json.encode(dict(document)))
        book.attach_file(job, path)


def load_documents(book: JobBook, job: int, name: str) -> list[bytes]:
    """Documents of that name of a job, the oldest first."""
    return read_documents(book, book.load_job(job), name)


def read_documents(book: JobBook, job: Job, name: str) -> list[bytes]:
    """Documents of that name of a job that is at hand, the oldest first."""
    return [book.read_document(one.sha256) for one in job.attachments if one.name == name]


def list_checks(book: JobBook, job: int, *, aside: bool = False) -> list[StoredCheck]:
    """
    Checks of a job, the oldest of each kind first; with `aside` those that do not count, too.

    Raises
    ------
    InputError
        No such job.
    JobBookError
        A document is damaged.
    """
    return read_checks(book, book.load_job(job), aside=aside)


def read_checks(book: JobBook, job: Job, *, aside: bool = False) -> list[StoredCheck]:
    """Checks of a job that is at hand, as `list_checks` gives them."""
    found = []
    files = job.attachments
    for kind in list_kinds():
        name = name_document(kind.name)
        for file in (one for one in files if one.name == name and (aside or not one.aside)):
            text = book.read_document(file.sha256)
            try:
                outer = msgspec.json.decode(text)
                found.append(
                    StoredCheck(
                        kind=kind.name,
                        stage=file.stage or outer["stage"],
                        part=outer.get("part", ""),
                        taken_utc=outer["taken_utc"],
                        bench=outer.get("bench", ""),
                        check=from_json(text, kind.load_record()),
                        sound_sha256=outer.get("recording_sha256") or "",
                        aside=file.aside,
                        document_sha256=file.sha256,
                    )
                )
            except (msgspec.MsgspecError, KeyError, TypeError) as error:
                told = f"job {job.job}: a {kind.name} check cannot be read ({error})"
                raise JobBookError(f"{told}; the rest is untouched") from error
    return found


def _keep_sound(
    book: JobBook, job: int, name: str, source: Source | None, recording: Recording | None
) -> Attachment | None:
    """Keep the sound with the job: a file as it is, anything else as FLAC."""
    if source is None or recording is None:
        return None
    if source.recording is not None:
        return attach_file(book, job, source.recording)
    return keep_flac(book, job, name, recording)


def keep_flac(book: JobBook, job: int, name: str, recording: Recording) -> Attachment:
    """Keep what was recorded with the job, as FLAC."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.flac"
        samples = recording.samples
        if recording.second is not None:
            samples = np.column_stack([samples, recording.second])
        save_sound(path, samples.clip(-1.0, 1.0), recording.rate_hz)
        return book.attach_file(job, path)


def describe_failure(kind: str, error: RecordingError) -> dict[str, Any]:
    """Document of a recording that gave no numbers: its schema and the problem."""
    problem = Problem(
        kind=error.kind, at_s=error.at_s, message=str(error), effect="no number could be had"
    )
    return {"schema": get_kind(kind).schema, "problems": [to_document(problem)]}
