"""
What two evenings gave as one file of nobody's, and such a file read by a later version.

The file is the parcel of the job, which leaves owner, contact, photographs and speech at home, with
the judged protocol in it; it comes back through the same suspicious door as any parcel, into a book
of its own that is gone afterwards.
"""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from voicecheck import __version__
from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import Job, Protocol, ProtocolAgain, ProtocolPart, to_document
from voicecheck.records.protocol import ChangedFigure
from voicecheck.verdicts.protocol import judge_protocol
from voicecheck.verdicts.protocol.rereading import (
    find_changed_curves,
    find_changed_figures,
    find_changed_verdicts,
)
from voicecheck.verdicts.protocol.steps import ENVELOPE, OPENED
from voicecheck.workflow.checks.run import save_document
from voicecheck.workflow.protocol.figures import (
    Measure,
    answer_round,
    measure_take,
    read_again,
)
from voicecheck.workflow.protocol.kept import (
    WHOLE_FILE,
    load_measured,
    load_protocol,
    read_judged,
    read_parts,
)
from voicecheck.workflow.protocol.taking import SEATS_OF_ROUNDS


def bundle(book: JobBook, job: int, target: str | Path, *, overwrite: bool = False) -> Protocol:
    """
    Write the protocol of a job as one file without names.

    Parameters
    ----------
    book : JobBook
    job : int
    target : path
    overwrite : bool

    Returns
    -------
    Protocol
        As it is in the file.

    Raises
    ------
    InputError
        Nothing of the protocol was done, or the file is there already.
    JobBookError
        A recording is damaged, or the disk failed; no file is left.
    """
    judged = load_protocol(book, job)
    if not judged.parts:
        raise InputError(
            f"job {job}: nothing of the protocol was done; `voicecheck protocol next {job}` "
            "begins it; nothing was written"
        )
    save_document(book, job, WHOLE_FILE, to_document(judged))
    book.export_job(job, target, with_owner=False, overwrite=overwrite)
    return judged


def read_corpus(
    path: str | Path, *, on_progress: Callable[[int, int], None] | None = None
) -> ProtocolAgain:
    """
    Read the recordings of a bundle by this version, and say what is another since.

    Parameters
    ----------
    path : path
        As `bundle` wrote it.
    on_progress : callable, optional
        Told the number of parts done, and of all.

    Returns
    -------
    ProtocolAgain

    Raises
    ------
    InputError
        No parcel, a damaged or hostile one, or one without a protocol.
    """
    with (
        tempfile.TemporaryDirectory(prefix="voicecheck-") as folder,
        JobBook.open(Path(folder) / "book") as book,
    ):
        merged = book.import_parcel(path)
        jobs = [int(one.stands_as) for one in merged if one.what == "job"]
        record = book.load_job(jobs[0]) if len(jobs) == 1 else None
        try:
            was = read_judged(book, record) if record else None
            parts = read_parts(book, record) if record else ()
        except JobBookError as error:
            raise InputError(f"{Path(path).name}: no sound protocol: {error}") from error
        if record is None or was is None:
            raise InputError(
                f"{Path(path).name}: a parcel, but none that `voicecheck protocol bundle` wrote"
            )
        return _read_parts(book, record, was, parts, on_progress)


def _read_parts(
    book: JobBook,
    record: Job,
    was: Protocol,
    parts: tuple[ProtocolPart, ...],
    on_progress: Callable[[int, int], None] | None,
) -> ProtocolAgain:
    kept = {one.part: one for one in parts}
    # The seats of an evening are asked for again by each of its rounds.
    measure = cache(lambda sha256: measure_take(book, sha256))
    fresh: list[ProtocolPart] = []
    changed: list[ChangedFigure] = []
    for number, part in enumerate(kept.values(), 1):
        now = _read_part(book, part, kept, measure)
        fresh.append(now)
        changed += find_changed_figures(part, now)
        changed += _find_curves(book, record, part, measure)
        if on_progress is not None:
            on_progress(number, len(kept))
    judged = judge_protocol(was.job, fresh, __version__)
    return ProtocolAgain(
        was_version=was.version,
        version=__version__,
        n_recordings=sum(len(one.sounds) for one in fresh),
        n_figures=sum(len(one.figures) for one in fresh),
        now=judged,
        changed=tuple(changed),
        verdicts=find_changed_verdicts(was, judged),
    )


def _read_part(
    book: JobBook, part: ProtocolPart, kept: dict[str, ProtocolPart], measure: Measure
) -> ProtocolPart:
    """The part as this version reads it."""
    if part.part in (ENVELOPE, OPENED):
        return part
    figures = read_again(book, part, measure)
    answer = part.answer
    seats = next((kept[name] for name in SEATS_OF_ROUNDS if name in kept), None)
    if part.step == "round" and seats is not None:
        takes, others = (
            [one for sha256 in of.sounds if (one := measure(sha256)) is not None]
            for of in (part, seats)
        )
        answer = answer_round(part.part, takes, others) if takes and others else "not comparable"
    return dataclasses.replace(
        part, figures=figures.value, uncertainty=figures.uncertainty, answer=answer,
        version=__version__,
    )  # fmt: skip


def _find_curves(
    book: JobBook, record: Job, part: ProtocolPart, measure: Measure
) -> list[ChangedFigure]:
    """Whole curves of a part's takes against those that came with it."""
    found: list[ChangedFigure] = []
    for number, was in enumerate(load_measured(book, record.job, part), 1):
        now = measure(was.recording.sha256 or "")
        if now is not None:
            found += find_changed_curves(part.part, number, was, now)
    return found
