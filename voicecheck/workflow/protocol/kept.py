"""What a job keeps of the protocol: a document for each part, and one for the whole."""

from __future__ import annotations

import dataclasses

import msgspec

from voicecheck import __version__
from voicecheck.errors import InputError, JobBookError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Job, Measurement, Protocol, ProtocolPart, from_json, to_document
from voicecheck.verdicts.benchsight import estimate_bench_sight
from voicecheck.verdicts.protocol import judge_protocol
from voicecheck.verdicts.protocol.soundness import check_part
from voicecheck.workflow.benches.store import find_bench
from voicecheck.workflow.checks.run import save_document
from voicecheck.workflow.selftest.sightwords import say_sight

PART_FILE, WHOLE_FILE = "protocol-part.json", "protocol.json"
SIGHT_PART, FEWEST_TAKES = "loop-back 1", 6
LABEL = "two evenings with the bench"


def start_protocol(book: JobBook, type_name: str, label: str = "") -> Job:
    """
    Open the job that the two evenings are kept with.

    Parameters
    ----------
    book : JobBook
    type_name : str
        Of the handset that is laid in.
    label : str

    Raises
    ------
    InputError
        There is no such type.
    """
    return book.open_job(label or LABEL, type_name)


def save_part(book: JobBook, job: int, part: ProtocolPart) -> None:
    """Keep a part with its job."""
    save_document(book, job, PART_FILE, to_document(part))


def read_parts(book: JobBook, job: Job) -> tuple[ProtocolPart, ...]:
    """
    Parts of a job, the oldest first; those that were set aside are left out.

    Raises
    ------
    JobBookError
        A document is damaged, or of a part that this version does not know.
    """
    found = []
    for file in job.attachments:
        if file.name != PART_FILE or file.aside:
            continue
        try:
            part = from_json(book.read_document(file.sha256), ProtocolPart)
            check_part(part)
        except (msgspec.MsgspecError, InputError) as error:
            told = f"job {job.job}: {file.name} cannot be read ({error})"
            raise JobBookError(f"{told}; the rest is untouched") from error
        found.append(part)
    return tuple(sorted(found, key=lambda one: one.taken_utc))


def judge_kept(book: JobBook, job: int) -> Protocol:
    """
    The protocol of a job as far as it was done, judged by this version.

    Raises
    ------
    InputError
        There is no such job.
    JobBookError
        A document is damaged.
    """
    return judge_protocol(job, read_parts(book, book.load_job(job)), __version__)


def load_protocol(book: JobBook, job: int) -> Protocol:
    """The same with what the bench can tell, which takes a look at its measurements."""
    judged = judge_kept(book, job)
    return dataclasses.replace(judged, told=_tell_sight(book, job, judged))


def _tell_sight(book: JobBook, job: int, judged: Protocol) -> tuple[str, ...]:
    """What the bench can tell, by the takes that followed each other with nothing touched."""
    first = next((one for one in judged.parts if one.part == SIGHT_PART), None)
    if first is None or len(first.sounds) < FEWEST_TAKES:
        return ()
    file = find_bench(book, first.bench)
    takes = load_measured(book, job, first)
    try:
        return say_sight(estimate_bench_sight(takes, file.check_results if file else ()))
    except RecordingError:
        return ()


def load_measured(book: JobBook, job: int, part: ProtocolPart) -> tuple[Measurement, ...]:
    """The measurements of a part's run as they were kept."""
    wanted = set(part.sounds)
    runs = book.list_runs(job=job, stage=part.part)
    kept = {one.recording.sha256: one for run in runs for one in run.recordings}
    return tuple(one for sha256, one in kept.items() if sha256 in wanted)


def read_judged(book: JobBook, job: Job) -> Protocol | None:
    """
    The protocol as it was last judged and kept; `None` where it never was.

    Raises
    ------
    JobBookError
        The document is damaged.
    """
    kept = [file for file in job.attachments if file.name == WHOLE_FILE and not file.aside]
    if not kept:
        return None
    try:
        return from_json(book.read_document(kept[-1].sha256), Protocol)
    except msgspec.MsgspecError as error:
        told = f"job {job.job}: {WHOLE_FILE} cannot be read ({error})"
        raise JobBookError(f"{told}; the rest is untouched") from error
