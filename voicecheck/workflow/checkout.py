"""The rest of a checkout: take a recording, analyse it, keep both with the job."""

from __future__ import annotations

import dataclasses
import datetime
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from voicecheck import __version__
from voicecheck.bench.soundfiles import save_sound
from voicecheck.errors import InputError, JobBookError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import (
    Attachment,
    BellCheck,
    DialCheck,
    FlexCheck,
    LineCheck,
    Problem,
    Recording,
    SpeechCheck,
    ToneCheck,
    from_json,
    to_document,
)
from voicecheck.records.documents import SCHEMAS
from voicecheck.workflow.books import attach_file
from voicecheck.workflow.scenes import Heard, Progress, Source, take_scene

Check = DialCheck | ToneCheck | FlexCheck | BellCheck | SpeechCheck | LineCheck
KINDS: dict[str, type] = {
    "dial": DialCheck,
    "tones": ToneCheck,
    "flex": FlexCheck,
    "bell": BellCheck,
    "speak": SpeechCheck,
    "line": LineCheck,
}
STAGES = ("before", "after")
MOVED = ("cord", "hook", "handset")
LIMITS = {"dial": "dial_limits.csv", "tones": "standards/itu_t_e180_tones.csv"}
"""Checks that are held against the limits of a region."""
SETTLED_S, SLOW_PULSES_PER_S = 0.4, 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What a check may be told beside its source; each check takes what it knows."""

    tone_hz: float = 1000.0
    is_clicks: bool = False
    region: str = ""
    beat_s: float = 1.0
    places: tuple[str, ...] = ()
    moved: str = "cord"

    def __post_init__(self) -> None:
        """Refuse what no recording could be read with, before one is taken."""
        if self.moved not in MOVED:
            raise InputError(f"moved: need one of {', '.join(MOVED)}, got {self.moved!r}")
        from voicecheck.checkout.flex import BEAT_RANGE_S

        low, high = BEAT_RANGE_S
        if not low <= self.beat_s <= high:
            raise InputError(f"beat_s: need {low:g} to {high:g} s, got {self.beat_s:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCheck:
    """One check of a job as it is kept; `sound_sha256` is "" where nothing was recorded."""

    kind: str
    stage: str
    part: str
    taken_utc: str
    bench: str
    check: Check
    sound_sha256: str = ""


def analyze_check(kind: str, recording: Recording, options: Options) -> Check:
    """
    The record of one check from its recording.

    Parameters
    ----------
    kind : str
        "dial", "tones", "flex", "bell" or "speak".
    recording : Recording
    options : Options

    Returns
    -------
    DialCheck, ToneCheck, FlexCheck, BellCheck or SpeechCheck

    Raises
    ------
    InputError
        A value of the options is out of range.
    RecordingError
        The recording cannot be used.
    """
    if kind == "dial":
        from voicecheck.checkout.dial import measure_dial

        return measure_dial(
            recording,
            tone_hz=options.tone_hz,
            is_clicks=options.is_clicks,
            region=options.region,
        )
    if kind == "tones":
        from voicecheck.checkout.tones import measure_tones

        return measure_tones(recording, region=options.region)
    if kind == "flex":
        from voicecheck.checkout.flex import measure_flex

        return measure_flex(
            recording, tone_hz=options.tone_hz, beat_s=options.beat_s, places=options.places
        )
    if kind == "bell":
        from voicecheck.checkout.bell import measure_bell

        return measure_bell(recording)
    from voicecheck.checkout.speech import measure_speech

    return measure_speech(recording)


def find_number(kind: str, so_far: Recording, options: Options) -> str:
    """
    Digits that are complete in what has been recorded so far; "" where nothing can be said yet.

    Parameters
    ----------
    kind : str
        "dial" or "tones".
    so_far : Recording
    options : Options
    """
    try:
        check = analyze_check(kind, so_far, options)
    except RecordingError:
        return ""
    if isinstance(check, ToneCheck):
        return check.number
    if not isinstance(check, DialCheck):
        return ""
    # The last digit counts once its pulses have stopped for a while.
    last = check.digits[-1]
    ended_s = last.start_s + last.pulses / (last.pulses_per_s or SLOW_PULSES_PER_S)
    return check.number if so_far.duration_s - ended_s > SETTLED_S else check.number[:-1]


def run_check(
    kind: str,
    source: Source,
    options: Options,
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
    source : Source
    options : Options
    book, job : JobBook and int, optional
        Where it is kept; nowhere without.
    stage : str
        "before" or "after"; "" is "before" until there is one, then "after".
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
    part = options.moved if kind == "flex" else ""
    options = fit_region(kind, options)
    if book is None or job is None:
        recording = take_scene(kind, source, progress=progress, heard=heard)
        check = analyze_check(kind, recording, options)
        return check, to_document(check)
    stage = choose_stage(book, job, kind, stage)
    options = fit_region(kind, options, book.load_type(book.load_job(job).type_name).region)
    recording = take_scene(kind, source, progress=progress, heard=heard)
    kept = _keep_sound(book, job, f"{kind}-{stage}", source, recording)
    try:
        check = analyze_check(kind, recording, options)
    except RecordingError as error:
        told = f"{error}; the recording is kept with job {job}"
        raise RecordingError(told, error.kind, error.at_s) from error
    bench = recording.conditions.bench
    document = save_check(book, job, kind, check, stage=stage, part=part, sound=kept, bench=bench)
    return check, document


def fit_region(kind: str, options: Options, of_type: str = "") -> Options:
    """
    Options with a region that there are limits for: the one asked for, else that of the set type.

    A type may name a region of the user's own, for which no limits are known.

    Parameters
    ----------
    kind : str
    options : Options
    of_type : str

    Raises
    ------
    InputError
        The region that is asked for is not known.
    """
    from voicecheck.checkout.limits import find_region

    table = LIMITS.get(kind)
    if table is None:
        return options
    if options.region:
        return dataclasses.replace(options, region=find_region(table, options.region))
    try:
        return dataclasses.replace(options, region=find_region(table, of_type))
    except InputError:
        return options


def list_check_regions(kind: str) -> tuple[str, ...]:
    """
    Regions that there are limits for; none for a check without limits.

    Examples
    --------
    >>> "Sweden" in list_check_regions("dial"), list_check_regions("bell")
    (True, ())
    """
    from voicecheck.checkout.limits import list_regions

    return list_regions(LIMITS[kind]) if kind in LIMITS else ()


def choose_stage(book: JobBook, job: int, kind: str, stage: str) -> str:
    """
    Stage of a new check: as asked for, else "before" for the first of its kind.

    Raises
    ------
    InputError
        Another stage, or no such job.
    """
    have = [one for one in list_checks(book, job) if one.kind == kind]
    if not stage:
        return "after" if have else "before"
    if stage not in STAGES:
        raise InputError(f"stage: need one of {', '.join(STAGES)}, got {stage!r}")
    return stage


def save_check(
    book: JobBook,
    job: int,
    kind: str,
    check: Check,
    *,
    stage: str,
    part: str = "",
    sound: Attachment | None = None,
    bench: str = "",
) -> dict[str, Any]:
    """
    Keep the record of a check with its job; older ones stay.

    Parameters
    ----------
    book : JobBook
    job : int
    kind : str
    check : record
    stage : str
    part : str
        What was moved, of a flex check.
    sound : Attachment, optional
        The recording it rests on.
    bench : str
        "file", "simulated", or the sound device.

    Returns
    -------
    dict
        The document that was kept.
    """
    document = {
        **to_document(check),
        "job": job,
        "stage": stage,
        "part": part,
        "bench": bench,
        "taken_utc": get_time_utc(),
        "version": __version__,
        "recording_sha256": sound.sha256 if sound else None,
    }
    save_document(book, job, f"check-{kind}.json", document)
    return document


def save_document(book: JobBook, job: int, name: str, document: Mapping[str, Any]) -> None:
    """Keep a JSON document as a file of the job."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(msgspec.json.encode(dict(document)))
        book.attach_file(job, path)


def load_documents(book: JobBook, job: int, name: str) -> list[bytes]:
    """Documents of that name of a job, the oldest first."""
    kept = [one for one in book.load_job(job).attachments if one.name == name]
    return [book.locate_attachment(one.sha256).read_bytes() for one in kept]


def list_checks(book: JobBook, job: int) -> list[StoredCheck]:
    """
    Checks of a job, the oldest of each kind first.

    Raises
    ------
    InputError
        No such job.
    JobBookError
        A document is damaged.
    """
    found = []
    for kind, record in KINDS.items():
        for text in load_documents(book, job, f"check-{kind}.json"):
            try:
                outer = msgspec.json.decode(text)
                found.append(
                    StoredCheck(
                        kind=kind,
                        stage=outer["stage"],
                        part=outer.get("part", ""),
                        taken_utc=outer["taken_utc"],
                        bench=outer.get("bench", ""),
                        check=from_json(text, record),
                        sound_sha256=outer.get("recording_sha256") or "",
                    )
                )
            except (msgspec.MsgspecError, KeyError, TypeError) as error:
                raise JobBookError(
                    f"job {job}: a {kind} check cannot be read ({error}); the rest is untouched"
                ) from error
    return found


def get_time_utc() -> str:
    """Now, UTC, as it is stored."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")


def _keep_sound(
    book: JobBook, job: int, name: str, source: Source, recording: Recording
) -> Attachment:
    """Keep the sound with the job: a file as it is, anything else as FLAC."""
    if source.recording is not None:
        return attach_file(book, job, source.recording)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.flac"
        save_sound(path, recording.samples.clip(-1.0, 1.0), recording.rate_hz)
        return book.attach_file(job, path)


def describe_failure(kind: str, error: RecordingError) -> dict[str, Any]:
    """Document of a recording that gave no numbers: its schema and the problem."""
    problem = Problem(
        kind=error.kind, at_s=error.at_s, message=str(error), effect="no number could be had"
    )
    return {"schema": SCHEMAS[KINDS[kind]], "problems": [to_document(problem)]}
