"""
A parcel taken into a book: what is the same changes nothing, what differs is kept beside.

Set type
    Same name and values: nothing. Same name, other values: kept as "NAME (2)" (or 3, ...), and
    what the parcel says of it is filed under that name.
Baseline
    The type has none for that path: added. The same one is there: nothing. Another is there:
    kept under the set type "NAME (2)", so that it never takes the place of the book's own.
Job
    Known by its mark, which it has from its making. Unknown: added. Known, and label, type,
    owner and complaint agree: runs, notes, files and comparisons that are missing are added.
    Known, but they differ: kept beside as a job of its own, "LABEL (2)". A job whose owner was
    forgotten here does not learn of them again.
Set
    Known by its mark, too; what this book says of it stays.
Recording, attachment
    Known by their content: there or added.

Everything is filed in one transaction after all files are on disk. A parcel is read with
suspicion: only names of the format, no links, no encryption, sizes limited before anything is
unpacked, every file held against its digest, nothing written by a name from the parcel.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job, find_set_type
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.jobs import file_attachment, refresh_search
from voicecheck.jobbook.parcels import PackedJob
from voicecheck.jobbook.personal import is_personal_file, leave_out, list_names
from voicecheck.jobbook.recordings import file_recording
from voicecheck.jobbook.rows import (
    decode_record,
    encode_record,
    insert_row,
    select_in,
    select_named,
    select_rows,
    update_row,
)
from voicecheck.jobbook.runs import (
    insert_baseline,
    insert_comparison,
    insert_measurement,
    insert_run,
    load_runs,
)
from voicecheck.jobbook.sets import add_set
from voicecheck.jobbook.unpacking import LIMIT_BYTES, OpenedJob, OpenedParcel, open_parcel
from voicecheck.records import Baseline, Comparison, Run, SetType, to_json
from voicecheck.records.jobwords import JOB_WORDS, PERSONAL_WORDS
from voicecheck.records.sets import SET_WORDS

OLDEST_WORDS = 2
"""Owner and complaint: what the first parcels said of a job."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """
    What became of one thing in a parcel.

    `outcome` is "added", "same", "merged" or "kept beside"; `name` is what the parcel calls it,
    `stands_as` what it is in this book (the job's number, the set type's name).
    """

    what: str
    name: str
    outcome: str
    stands_as: str


class MergeShelf(BookCore):
    """Parcels taken in."""

    def import_parcel(
        self, path: str | Path, *, limit_bytes: int = LIMIT_BYTES
    ) -> tuple[Merged, ...]:
        """
        Take a job or a baseline from a file into the book.

        Parameters
        ----------
        path : str or Path
            As `export_job` or `export_baseline` wrote it.
        limit_bytes : int
            Most that the parcel may unpack to.

        Returns
        -------
        tuple of Merged
            What became of each set type, baseline and job.

        Raises
        ------
        InputError
            Not a parcel, damaged, or beyond the limits; the book is as it was.
        RecordingError
            A document in it is deeper than anything reads; the book is as it was.
        JobBookError
            The disk or the database failed; the book is as it was.
        """
        path = Path(path)
        with translate_failures(self.name), open_parcel(path, limit_bytes) as parcel:
            with parcel.take_in(self._vault) as taken:
                for one in taken:
                    one.place(self._vault)
            sizes = {one.sha256: one.n_bytes for one in taken if one.label is None}
            with self._writing() as connection:
                for one in taken:
                    if one.label is not None:
                        file_recording(
                            connection, one.sha256, one.label, one.n_samples, one.n_bytes
                        )
                return tuple(_merge(connection, parcel, sizes, path.name))


def _merge(
    connection: sa.Connection, parcel: OpenedParcel, sizes: dict[str, int], source: str
) -> Iterable[Merged]:
    names: dict[str, str] = {}
    for set_type in parcel.set_types:
        stands_as, is_new = _merge_type(connection, set_type)
        names[set_type.name] = stands_as
        outcome = "added" if is_new else "same"
        beside = stands_as != set_type.name
        yield Merged(
            what="set type",
            name=set_type.name,
            outcome="kept beside" if beside else outcome,
            stands_as=stands_as,
        )
    for baseline in parcel.baselines:
        merged = _merge_baseline(connection, baseline, names[baseline.type_name])
        names[baseline.type_name] = merged.stands_as
        yield merged
    for opened in parcel.jobs:
        yield _merge_job(connection, opened, names[opened.job.type_name], sizes, source)


def _merge_type(
    connection: sa.Connection,
    set_type: SetType,
    is_free: Callable[[Any], bool] = lambda _row: True,
    first: int = 1,
) -> tuple[str, bool]:
    """Name under which a set type of these values stands, and whether it is new."""
    number = first
    while True:
        name = set_type.name if number == 1 else f"{set_type.name} ({number})"
        made = dataclasses.replace(set_type, name=name)
        statement = sa.select(tables.set_type).where(tables.set_type.c.name == name)
        rows = select_rows(connection, tables.set_type, statement)
        if not rows:
            insert_row(connection, tables.set_type, name=name, document=encode_record(made))
            return name, True
        if decode_record(rows[0]["document"], SetType, name) == made and is_free(rows[0]):
            return name, False
        number += 1


def _merge_baseline(connection: sa.Connection, baseline: Baseline, type_name: str) -> Merged:
    def is_free(row: Any) -> bool:
        there = _list_baselines(connection, row["id"], baseline.path)
        return not there or any(_is_same_baseline(one, baseline) for one in there)

    row = find_set_type(connection, type_name)
    outcome = "added"
    if not is_free(row):
        set_type = decode_record(row["document"], SetType, type_name)
        type_name, _ = _merge_type(connection, set_type, is_free, first=2)
        row = find_set_type(connection, type_name)
        outcome = "kept beside"
    if _list_baselines(connection, row["id"], baseline.path):
        outcome = "same"
    else:
        insert_baseline(connection, dataclasses.replace(baseline, type_name=type_name), row["id"])
    name = f"{baseline.type_name}, {baseline.path}"
    return Merged(what="baseline", name=name, outcome=outcome, stands_as=type_name)


def _list_baselines(connection: sa.Connection, set_type_id: int, path: str) -> list[Baseline]:
    table = tables.baseline
    statement = sa.select(table).where(table.c.set_type_id == set_type_id, table.c.path == path)
    return [
        decode_record(row["document"], Baseline, f"baseline {row['id']}")
        for row in select_rows(connection, table, statement)
    ]


def _is_same_baseline(first: Baseline, second: Baseline) -> bool:
    return dataclasses.replace(first, type_name=second.type_name).same_as(second)


def _merge_job(
    connection: sa.Connection,
    opened: OpenedJob,
    type_name: str,
    sizes: dict[str, int],
    source: str,
) -> Merged:
    job = opened.job
    set_type_id = find_set_type(connection, type_name)["id"]
    header = "\n".join(map(str, [job.label, set_type_id, *_list_header(job)]))
    beside_mark = f"{job.mark}#{hashlib.sha256(header.encode()).hexdigest()[:16]}"
    known = _find_marked(connection, job.mark)
    if known is not None and known["forgotten_utc"] is not None:
        job = _forget_again(job)
        opened = dataclasses.replace(opened, job=job)
    beside = _find_marked(connection, beside_mark)
    if known is None:
        number, outcome = _add_job(connection, job, set_type_id, job.label, job.mark), "added"
    elif _is_same_header(known, job, set_type_id):
        number, outcome = known["id"], "same"
    elif beside is not None:
        number, outcome = beside["id"], "same"
    else:
        label = _choose_label(connection, job.label)
        number = _add_job(connection, job, set_type_id, label, beside_mark)
        outcome = "kept beside"
    changed = _add_parts(connection, opened, number, sizes)
    if changed and outcome == "same":
        outcome = "merged"
    if outcome != "same":
        refresh_search(connection, number)
        add_event(connection, number, "imported", f"{source}: {outcome}")
    return Merged(what="job", name=job.label, outcome=outcome, stands_as=str(number))


def _find_marked(connection: sa.Connection, mark: str) -> Any:
    statement = sa.select(tables.job).where(tables.job.c.mark == mark)
    rows = select_rows(connection, tables.job, statement)
    return rows[0] if rows else None


def _list_words(job: PackedJob) -> dict[str, str | None]:
    return {name: getattr(job, name) for name in JOB_WORDS}


def _list_header(job: PackedJob) -> list[str | None]:
    """Words of a job; those that are younger than its parcel are unsaid at the end."""
    words = list(_list_words(job).values())
    while len(words) > OLDEST_WORDS and words[-1] is None:
        words.pop()
    return words


def _is_same_header(row: Any, job: PackedJob, set_type_id: int) -> bool:
    """Whether what the parcel says of the job is what the book says; unsaid agrees."""
    said = {"label": job.label, **_list_words(job)}
    names = list_names({name: row[name] for name in PERSONAL_WORDS})
    # A row from before a word was added holds nothing for it; a parcel may name nobody.
    agrees = all(
        value is None or value in ((row[name] or ""), leave_out(row[name] or "", names))
        for name, value in said.items()
    )
    return agrees and bool(row["set_type_id"] == set_type_id)


def _choose_label(connection: sa.Connection, label: str) -> str:
    number = 2
    while connection.execute(
        sa.select(tables.job.c.id).where(tables.job.c.label == f"{label} ({number})").limit(1)
    ).first():
        number += 1
    return f"{label} ({number})"


def _add_job(
    connection: sa.Connection, job: PackedJob, set_type_id: int, label: str, mark: str
) -> int:
    number = insert_row(
        connection,
        tables.job,
        label=label,
        set_type_id=set_type_id,
        **{name: said or "" for name, said in _list_words(job).items()},
        opened_utc=job.opened_utc,
        closed_utc=job.closed_utc,
        search_text="",
        mark=mark,
        stage=job.stage,
    )
    for event in job.events:
        insert_row(
            connection,
            tables.event,
            job_id=number,
            at_utc=event.at_utc,
            kind=event.kind,
            text=event.text,
        )
    return number


def _forget_again(job: PackedJob) -> PackedJob:
    """The job without what this book was told to forget."""
    files = tuple(one for one in job.attachments if not is_personal_file(one.name))
    kept: dict[str, Any] = {**dict.fromkeys(PERSONAL_WORDS), "attachments": files}
    return dataclasses.replace(job, **kept)


def _add_set(connection: sa.Connection, job: PackedJob, number: int) -> None:
    """Let a job that has no set have that of the parcel, which is known by its mark."""
    row = find_job(connection, number, lock=True)
    if row["telephone_id"] is not None or job.telephone is None:
        return
    table, packed = tables.telephone, job.telephone
    known = select_rows(connection, table, sa.select(table).where(table.c.mark == packed.mark))
    (set_type,) = select_named(connection, tables.set_type, [row["set_type_id"]])
    words = {name: getattr(packed, name) for name in SET_WORDS}
    telephone = (
        known[0]["id"]
        if known
        else add_set(connection, packed.label, set_type, mark=packed.mark, **words)
    )
    update_row(connection, tables.job, number, telephone_id=telephone)


def _add_work(connection: sa.Connection, job: PackedJob, number: int) -> bool:
    table = tables.work
    rows = select_in(connection, table, table.c.job_id, [number])
    # Not by its words: sent with nobody's name in it, it is the same.
    there = {(row["added_utc"], row["kind"]) for row in rows}
    missing = [one for one in job.work if (one.added_utc, one.kind) not in there]
    for one in missing:
        insert_row(
            connection,
            table,
            job_id=number,
            added_utc=one.added_utc,
            kind=one.kind,
            what=one.what,
            old_value=one.old_value,
            new_value=one.new_value,
            number=one.value,
            answer=one.answer or None,
            answered_utc=one.answered_utc,
            withdrawn=one.withdrawn or None,
        )
    return bool(missing)


def _add_parts(
    connection: sa.Connection, opened: OpenedJob, number: int, sizes: dict[str, int]
) -> bool:
    """Add what the job does not have yet; whether there was anything."""
    _add_set(connection, opened.job, number)
    changed = _add_runs(connection, opened, number)
    changed |= _add_work(connection, opened.job, number)
    note = tables.note
    # By its time alone: one that was corrected, or sent with nobody's name in it, is the same.
    there = {row["added_utc"] for row in select_in(connection, note, note.c.job_id, [number])}
    for one in opened.job.notes:
        if one.added_utc not in there:
            insert_row(connection, note, job_id=number, added_utc=one.added_utc, text=one.text)
            changed = True
    for kept in opened.job.attachments:
        size = sizes[kept.sha256]
        changed |= file_attachment(connection, number, kept, size)
    table = tables.comparison
    compared = {
        _key(decode_record(row["document"], Comparison, f"comparison {row['id']}"))
        for row in select_in(connection, table, table.c.job_id, [number])
    }
    for comparison in opened.comparisons:
        if _key(comparison) not in compared:
            insert_comparison(connection, dataclasses.replace(comparison, job=number))
            changed = True
    return changed


def _add_runs(connection: sa.Connection, opened: OpenedJob, number: int) -> bool:
    rows = select_in(connection, tables.run, tables.run.c.job_id, [number])
    there = {
        _key(run): int(row["id"])
        for row, run in zip(rows, load_runs(connection, rows), strict=True)
    }
    stands_as: list[int] = []
    changed = False
    aside = opened.job.aside or (None,) * len(opened.runs)
    for run, origin, why in zip(opened.runs, opened.job.origins, aside, strict=True):
        row_id = there.get(_key(run))
        if row_id is None:
            measured = [insert_measurement(connection, one) for one in run.recordings]
            origin_id = stands_as[origin - 1] if origin is not None else None
            filed = dataclasses.replace(run, job=number)
            row_id = insert_run(connection, filed, measured, origin_id, why)
            changed = True
        stands_as.append(row_id)
    return changed


def _key(record: Run | Comparison) -> bytes:
    """What a run or a comparison says, whatever its job's number; a run may have been moved."""
    stage = "" if isinstance(record, Run) else record.stage
    return hashlib.sha256(to_json(dataclasses.replace(record, job=None, stage=stage))).digest()
