"""
A job or a baseline as one file that anyone can read: the parcel.

A parcel is a ZIP file with plain names; JSON is UTF-8, CSV has a heading, numbers a point:

    parcel.json                    what this is, and the SHA-256 of every other file
    set_types/001.json             a set type: name, transmitter, feed_ma, region, notes, ...
    jobs/001/job.json              label, type_name, owner, complaint, times, notes, files, time
                                   line, its set, the work on it, and for each run whether it is a
                                   later analysis of another
    jobs/001/runs/001.json         "voicecheck.run/1": the pooled measurement and each recording's
    jobs/001/runs/001.csv          the pooled response, for a spreadsheet
    jobs/001/comparisons/001.json  "voicecheck.comparison/1"
    baselines/001.json             "voicecheck.baseline/1"
    baselines/001.csv              its curve and limits, for a spreadsheet
    recordings/SHA256.flac         24 bit; the comment is "voicecheck.recording/1" (JSON)
    attachments/SHA256             a file kept with a job, byte for byte

Runs, jobs and so on are numbered from 001 in their order. In parcel.json `schema` is
"voicecheck.parcel/1" and `kind` "job" or "baseline"; a reader passes over keys that it does not
know. The CSV files repeat what the JSON says and are not read back. The parcel of a baseline
carries the reference runs that it may have been built from, in jobs without owner, complaint,
notes, files and time line (`null` or empty). The parcel of a job has no owner, contact, photographs
or recorded speech in it unless they were asked for.

How a parcel is merged into a book is told in `merging`.
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import uuid
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import sqlalchemy as sa

import voicecheck
from voicecheck.errors import JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, find_job, find_set_type
from voicecheck.jobbook.jobs import read_attachment, read_work
from voicecheck.jobbook.personal import (
    WORK_TEXTS,
    is_personal_file,
    leave_out,
    list_former_names,
    list_names,
    sort_names,
)
from voicecheck.jobbook.rows import (
    decode_record,
    select_in,
    select_named,
    select_rows,
    update_row,
    utc_now,
)
from voicecheck.jobbook.runs import ORIGIN, find_baseline, load_runs
from voicecheck.jobbook.vault import Vault
from voicecheck.records import Attachment, Comparison, Event, Run, SetType, to_json
from voicecheck.records.jobwords import JOB_WORDS, PERSONAL_WORDS
from voicecheck.records.sets import SET_WORDS, SetWords, Work
from voicecheck.records.terms import JobStage
from voicecheck.writing import Door

Packed = TypeVar("Packed", "PackedSet", Work)
SCHEMA = "voicecheck.parcel/1"
RUN_COLUMNS = ("frequency_hz", "level_db", "uncertainty_db", "seat_sd_db")
BASELINE_COLUMNS = ("frequency_hz", "mean_db", "sd_db", "low_db", "high_db")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """The document parcel.json."""

    schema: str
    kind: str
    version: str
    made_utc: str
    files: dict[str, str]


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class PackedNote:
    """A note with its time."""

    added_utc: str
    text: str


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class PackedSet(SetWords):
    """The set of a job; `mark` is its own wherever it goes."""

    mark: str
    label: str


UnsaidWords: Any = dataclasses.make_dataclass(
    "UnsaidWords",
    [(name, str | None, None) for name in JOB_WORDS],
    frozen=True,
    slots=True,
    kw_only=True,
)
"""The words of a job as far as a parcel has them: a baseline's leaves them at home."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class PackedJob(UnsaidWords):  # type: ignore[misc]  # made from the record of the words
    """
    The document job.json.

    `mark` is the job's own wherever it goes. `origins` has one entry for each run: the number of
    the run that it is a later analysis of, or null; so has `aside`, where a run does not count:
    why. Both it and `stage` are missing in parcels from before them, as `telephone` (its set) and
    `work` are.
    """

    mark: str
    label: str
    type_name: str
    opened_utc: str
    closed_utc: str | None = None
    notes: tuple[PackedNote, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    events: tuple[Event, ...] = ()
    origins: tuple[int | None, ...] = ()
    aside: tuple[str | None, ...] = ()
    stage: JobStage | None = None
    telephone: PackedSet | None = None
    work: tuple[Work, ...] = ()


class Packer:
    """
    Writes the files of one parcel.

    Parameters
    ----------
    archive : zipfile.ZipFile
        Open for writing.
    vault : Vault
        Where recordings and attachments are read.
    """

    def __init__(self, archive: zipfile.ZipFile, vault: Vault) -> None:
        self._archive = archive
        self._vault = vault
        self.files: dict[str, str] = {}

    def add(self, name: str, data: bytes, *, compress: bool = True) -> None:
        """Add a file; the same name twice is one."""
        if name not in self.files:
            method = zipfile.ZIP_DEFLATED if compress else zipfile.ZIP_STORED
            self._archive.writestr(name, data, compress_type=method)
            self.files[name] = hashlib.sha256(data).hexdigest()

    def add_stored(self, name: str, path: Path, sha256: str) -> None:
        """Add a file of the book, which must be as it was saved."""
        if not path.is_file() or hashlib.sha256(data := path.read_bytes()).hexdigest() != sha256:
            raise JobBookError(
                f"job book: {path} is missing or damaged; nothing was exported; restore this "
                "file from a backup (`verify` lists all that need it)"
            )
        self.add(name, data, compress=False)

    def add_recordings(self, runs: Iterable[Run], known: set[str]) -> None:
        """Add the recordings of runs, as far as the book holds them."""
        for run in runs:
            for one in run.recordings:
                sha256 = one.recording.sha256
                if sha256 is not None and sha256 in known:
                    path = self._vault.locate_recording(sha256)
                    self.add_stored(f"recordings/{sha256}.flac", path, sha256)

    def add_job(self, number: int, job: PackedJob, runs: Sequence[Run]) -> str:
        """Add a job with its runs; gives the folder of its other files."""
        folder = f"jobs/{number:03}"
        self.add(f"{folder}/job.json", to_json(job))
        for index, run in enumerate(runs, 1):
            self.add(f"{folder}/runs/{index:03}.json", to_json(run))
            self.add(f"{folder}/runs/{index:03}.csv", _tabulate_run(run))
        for kept in job.attachments:
            path = self._vault.locate_attachment(kept.sha256)
            self.add_stored(f"attachments/{kept.sha256}", path, kept.sha256)
        return folder

    def finish(self, kind: str) -> None:
        """Write parcel.json."""
        contents = Contents(
            schema=SCHEMA,
            kind=kind,
            version=voicecheck.__version__,
            made_utc=utc_now(),
            files=dict(self.files),
        )
        self._archive.writestr("parcel.json", msgspec.json.encode(contents))


class ParcelShelf(BookCore):
    """Jobs and baselines sent out as files."""

    def export_job(
        self,
        number: int,
        target: str | Path,
        *,
        with_owner: bool = False,
        overwrite: bool = False,
    ) -> Path:
        """
        Write a job with all that belongs to it as one file.

        Parameters
        ----------
        number : int
        target : str or Path
        with_owner : bool
            Name, contact, photographs and recorded speech go along; else they stay here, and notes
            and time line say "(owner)" for them.
        overwrite : bool

        Returns
        -------
        Path
            Of the file, whole and on disk.

        Raises
        ------
        InputError
            The job is not in the book, or the file is there and may not be overwritten.
        JobBookError
            A recording is damaged, or the disk failed; no file is left.
        """
        self._mark_job(number)
        with self._reading() as connection, _open_parcel(target, overwrite=overwrite) as archive:
            row = find_job(connection, number)
            packer = Packer(archive, self._vault)
            name = _read_type_name(connection, row["set_type_id"])
            packer.add("set_types/001.json", find_set_type(connection, name)["document"].encode())
            job, runs = _pack_job(connection, row, name)
            job = job if with_owner else _leave_owner_out(job)
            folder = packer.add_job(1, job, runs)
            table = tables.comparison
            for index, one in enumerate(
                select_in(connection, table, table.c.job_id, [number]), start=1
            ):
                comparison = decode_record(one["document"], Comparison, f"comparison {one['id']}")
                packer.add(f"{folder}/comparisons/{index:03}.json", to_json(comparison))
            packer.add_recordings(runs, _read_known(connection, runs))
            packer.finish("job")
        return Path(target)

    def export_baseline(
        self,
        type_name: str,
        path: str,
        target: str | Path,
        *,
        runs: bool = True,
        overwrite: bool = False,
    ) -> Path:
        """
        Write the newest baseline of a set type and path as one file.

        Parameters
        ----------
        type_name, path : str
        target : str or Path
        runs : bool
            Whether the runs of stage `reference` of that type and path go along, with their
            recordings but without owners, complaints, notes and files.
        overwrite : bool

        Raises
        ------
        InputError
            No such baseline, or the file is there and may not be overwritten.
        JobBookError
            A recording is damaged, or the disk failed; no file is left.
        """
        with self._reading() as connection:
            set_type = find_set_type(connection, type_name)
            baseline = find_baseline(connection, set_type, path)
            numbers = _list_reference_jobs(connection, set_type["id"], path) if runs else []
        for number in numbers:
            self._mark_job(number)
        with self._reading() as connection, _open_parcel(target, overwrite=overwrite) as archive:
            packer = Packer(archive, self._vault)
            packer.add("set_types/001.json", set_type["document"].encode())
            packer.add("baselines/001.json", to_json(baseline))
            columns = [getattr(baseline, name) for name in BASELINE_COLUMNS]
            packer.add("baselines/001.csv", _tabulate(BASELINE_COLUMNS, columns))
            for index, number in enumerate(numbers, start=1):
                job, chosen = _pack_job(
                    connection, find_job(connection, number), type_name, reference_path=path
                )
                packer.add_job(index, job, chosen)
                packer.add_recordings(chosen, _read_known(connection, chosen))
            packer.finish("baseline")
        return Path(target)

    def _mark_job(self, number: int) -> None:
        """Give a job of an older layout the mark by which other books know it."""
        with self._reading() as connection:
            marked = find_job(connection, number)["mark"] is not None
        if not marked:
            with self._writing() as connection:
                if find_job(connection, number, lock=True)["mark"] is None:
                    update_row(connection, tables.job, number, mark=uuid.uuid4().hex)


@contextmanager
def _open_parcel(target: str | Path, *, overwrite: bool) -> Iterator[zipfile.ZipFile]:
    """A ZIP file that is there whole at the end, or not at all."""
    door = Door(force=overwrite)
    with (
        door.open(target, JobBookError) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive,
    ):
        yield archive


def _pack_job(
    connection: sa.Connection, row: Any, type_name: str, *, reference_path: str | None = None
) -> tuple[PackedJob, list[Run]]:
    """Job document and runs; with `reference_path` only what others need for a baseline."""
    table, number = tables.run, row["id"]
    statement = sa.select(table).where(table.c.job_id == number).order_by(ORIGIN, table.c.id)
    if reference_path is not None:
        statement = statement.where(table.c.stage == "reference", table.c.path == reference_path)
        statement = statement.where(table.c.aside.is_(None))
    rows = select_rows(connection, table, statement)
    place = {one["id"]: index for index, one in enumerate(rows, start=1)}
    job = PackedJob(
        mark=row["mark"],
        label=row["label"],
        type_name=type_name,
        opened_utc=row["opened_utc"],
        closed_utc=row["closed_utc"],
        origins=tuple(place.get(one["origin_id"]) for one in rows),
        aside=tuple(one["aside"] for one in rows),
        stage=row["stage"],
    )
    if reference_path is None:
        job = dataclasses.replace(job, **_read_written(connection, row))
    return job, load_runs(connection, rows)


def _leave_owner_out(job: PackedJob) -> PackedJob:
    """The same job, of nobody."""
    known = list_names({name: getattr(job, name) for name in PERSONAL_WORDS})
    former = list_former_names(one.text for one in job.events if one.kind == "edited")
    names = sort_names({*known, *former})
    files = tuple(one for one in job.attachments if not is_personal_file(one.name))
    gone = {one.name for one in job.attachments} - {one.name for one in files}
    told: dict[str, Any] = {
        name: None if name in PERSONAL_WORDS else leave_out(getattr(job, name) or "", names)
        for name in JOB_WORDS
    }
    notes = (dataclasses.replace(one, text=leave_out(one.text, names)) for one in job.notes)
    events = (
        dataclasses.replace(one, text=leave_out(one.text, names))
        for one in job.events
        if one.text not in gone
    )
    work = (_rewrite(one, WORK_TEXTS, names) for one in job.work)
    told |= {"notes": tuple(notes), "events": tuple(events), "attachments": files}
    told |= {"label": leave_out(job.label, names), "work": tuple(work)}
    if job.telephone is not None:
        told["telephone"] = _rewrite(job.telephone, ("label", *SET_WORDS), names)
    return dataclasses.replace(job, **told)


def _rewrite(record: Packed, fields: Iterable[str], names: Sequence[str]) -> Packed:
    """A record with nobody's name in some of its texts."""
    clean: dict[str, Any] = {name: leave_out(getattr(record, name), names) for name in fields}
    return dataclasses.replace(record, **clean)


def _read_set(connection: sa.Connection, number: int | None) -> PackedSet | None:
    if number is None:
        return None
    (row,) = select_named(connection, tables.telephone, [number])
    words = {name: row[name] for name in SET_WORDS}
    return PackedSet(mark=row["mark"], label=row["label"], **words)


def _read_written(connection: sa.Connection, row: Any) -> dict[str, Any]:
    """What a job says of its owner, its set and the work on it."""
    number = row["id"]
    works = select_in(connection, tables.work, tables.work.c.job_id, [number])
    note, event, attachment = tables.note, tables.event, tables.attachment
    return {
        **{name: row[name] for name in JOB_WORDS},
        "telephone": _read_set(connection, row["telephone_id"]),
        "work": tuple(dataclasses.replace(read_work(one), number=0) for one in works),
        "notes": tuple(
            PackedNote(added_utc=one["added_utc"], text=one["text"])
            for one in select_in(connection, note, note.c.job_id, [number])
        ),
        "attachments": tuple(
            read_attachment(one)
            for one in select_in(connection, attachment, attachment.c.job_id, [number])
        ),
        "events": tuple(
            Event(at_utc=one["at_utc"], kind=one["kind"], text=one["text"])
            for one in select_in(connection, event, event.c.job_id, [number])
        ),
    }


def _read_type_name(connection: sa.Connection, row_id: int) -> str:
    rows = select_named(connection, tables.set_type, [row_id])
    return decode_record(rows[0]["document"], SetType, f"set type {row_id}").name


def _list_reference_jobs(connection: sa.Connection, set_type_id: int, path: str) -> list[int]:
    run, job = tables.run, tables.job
    statement = (
        sa.select(job.c.id)
        .join(run, run.c.job_id == job.c.id)
        .where(job.c.set_type_id == set_type_id, run.c.stage == "reference", run.c.path == path)
        .where(run.c.aside.is_(None), job.c.removed_utc.is_(None))
        .distinct()
        .order_by(job.c.id)
    )
    return list(connection.execute(statement).scalars())


def _read_known(connection: sa.Connection, runs: Iterable[Run]) -> set[str]:
    """Those recordings of the runs that the book holds."""
    wanted = sorted({one.recording.sha256 or "" for run in runs for one in run.recordings})
    table = tables.recording
    return {one["sha256"] for one in select_in(connection, table, table.c.sha256, wanted)}


def _tabulate_run(run: Run) -> bytes:
    response = run.pooled.response
    if response is None:
        return _tabulate(RUN_COLUMNS, [[], [], [], []])
    curves = (response.frequency_hz, response.level_db, response.uncertainty_db, run.seat_sd_db)
    return _tabulate(RUN_COLUMNS, list(curves))


def _tabulate(names: Sequence[str], columns: Sequence[Any]) -> bytes:
    """CSV text; a withheld value is an empty field."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    for row in zip(*columns, strict=False):
        writer.writerow("" if value != value else repr(float(value)) for value in row)  # noqa: PLR0124 (NaN)
    return text.getvalue().encode()
