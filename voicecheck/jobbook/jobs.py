"""Set types and jobs: opened, found, edited, closed, with notes, files and a time line."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore, add_event, find_job, find_set_type
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.rows import (
    check_text,
    decode_record,
    encode_record,
    fold,
    insert_once,
    insert_row,
    match_words,
    select_in,
    select_named,
    select_rows,
    update_row,
    utc_now,
)
from voicecheck.jobbook.sets import add_set, find_set, follow_job
from voicecheck.jobbook.stages import find_stage
from voicecheck.jobbook.vault import hash_file, read_source
from voicecheck.records import Attachment, Event, Job, SetType
from voicecheck.records.jobs import TRANSMITTERS
from voicecheck.records.jobwords import JOB_WORDS
from voicecheck.records.sets import Work
from voicecheck.records.terms import check_word
from voicecheck.words import load_words

STATES = ("open", "closed")


class JobShelf(BookCore):
    """Set types and jobs."""

    def add_type(self, set_type: SetType) -> None:
        """
        Add a set type; the same one twice is one.

        Raises
        ------
        InputError
            There is another of that name with other values, or a value is out of range.
        """
        check_set_type(set_type)
        document = encode_record(set_type)
        with self._writing() as connection:
            values = {"name": set_type.name, "document": document}
            _, is_new = insert_once(connection, tables.set_type, ["name"], **values)
            old = find_set_type(connection, set_type.name)["document"]
            if not is_new and decode_record(old, SetType, set_type.name) != set_type:
                raise InputError(
                    f"set type {set_type.name!r}: already in the book with other values; choose "
                    "another name or change the one there (`edit_type`)"
                )

    def edit_type(self, set_type: SetType) -> None:
        """
        Replace the values of the set type of that name.

        Raises
        ------
        InputError
            There is none of that name, or a value is out of range.
        """
        check_set_type(set_type)
        document = encode_record(set_type)
        with self._writing() as connection:
            row = find_set_type(connection, set_type.name)
            update_row(connection, tables.set_type, row["id"], document=document)

    def load_type(self, name: str) -> SetType:
        """
        Set type by its name.

        Raises
        ------
        InputError
            There is none; the message gives the nearest names.
        """
        with self._reading() as connection:
            return decode_record(find_set_type(connection, name)["document"], SetType, name)

    def list_types(self) -> tuple[SetType, ...]:
        """Set types by name."""
        statement = sa.select(tables.set_type).order_by(tables.set_type.c.name)
        with self._reading() as connection:
            rows = select_rows(connection, tables.set_type, statement)
        return tuple(decode_record(row["document"], SetType, row["name"]) for row in rows)

    def open_job(
        self, label: str, type_name: str, *, of_set: int | None = None, **words: str | None
    ) -> Job:
        """
        Open a job; the same label may be given to several.

        Parameters
        ----------
        label, type_name : str
        of_set : int, optional
            Number of a set that comes back; left out, the job makes a new one.
        **words : str
            Any of `JobWords`, as owner and complaint.

        Raises
        ------
        InputError
            The set or the set type is not in the book, or the label is empty.
        """
        check_text("label", label, empty=False)
        said = {**dict.fromkeys(JOB_WORDS, ""), **_check_words(words)}
        with self._writing() as connection:
            set_type = find_set_type(connection, type_name)
            if of_set is None:
                of_set = add_set(connection, label, set_type)
            number = insert_row(
                connection,
                tables.job,
                label=label,
                set_type_id=set_type["id"],
                opened_utc=utc_now(),
                search_text=fold(label, type_name, *said.values()),
                mark=uuid.uuid4().hex,
                stage="before",
                telephone_id=find_set(connection, of_set)["id"],
                **said,
            )
            add_event(connection, number, "opened", label)
            return _load_jobs(connection, [number])[0]

    def load_job(self, number: int) -> Job:
        """
        Job by its number.

        Raises
        ------
        InputError
            There is none of that number.
        """
        with self._reading() as connection:
            find_job(connection, number)
            return _load_jobs(connection, [number])[0]

    def list_jobs(
        self,
        *,
        search: str | None = None,
        limit: int = 50,
        offset: int = 0,
        state: str | None = None,
    ) -> tuple[Job, ...]:
        """
        Jobs, the newest first.

        Parameters
        ----------
        search : str, optional
            Words that must all occur in label, set type, owner, complaint or notes; upper and
            lower case are the same.
        limit, offset : int
            How many to give, after how many passed over.
        state : str, optional
            "open" or "closed".
        """
        if limit < 0 or offset < 0:
            raise InputError(f"limit, offset: need 0 or more, got {limit}, {offset}")
        statement = _choose_jobs(sa.select(tables.job.c.id), search, state)
        statement = statement.order_by(tables.job.c.id.desc()).limit(limit).offset(offset)
        with self._reading() as connection:
            numbers = list(connection.execute(statement).scalars())
            return tuple(reversed(_load_jobs(connection, numbers)))

    def count_jobs(self, *, search: str | None = None, state: str | None = None) -> int:
        """How many jobs `list_jobs` would give without its limit."""
        statement = _choose_jobs(sa.select(sa.func.count(tables.job.c.id)), search, state)
        with self._reading() as connection:
            return int(connection.execute(statement).scalar() or 0)

    def edit_job(
        self,
        number: int,
        *,
        label: str | None = None,
        type_name: str | None = None,
        **words: str | None,
    ) -> Job:
        """
        Change what is given of a job.

        Parameters
        ----------
        number : int
        label, type_name : str, optional
        **words : str
            Any of `JobWords`, as owner and complaint.

        Raises
        ------
        InputError
            The job or the set type is not in the book, or the label is empty.
        """
        changes: dict[str, Any] = dict(_check_words(words))
        if label is not None:
            changes = {"label": check_text("label", label, empty=False), **changes}
        stated = dict(changes) if type_name is None else {**changes, "set type": type_name}
        with self._writing() as connection:
            find_job(connection, number, lock=True)
            if type_name is not None:
                changes["set_type_id"] = find_set_type(connection, type_name)["id"]
            if changes:
                update_row(connection, tables.job, number, **changes)
                refresh_search(connection, number)
                follow_job(connection, number)
                told = (f"{name}: {value}" for name, value in stated.items())
                add_event(connection, number, "edited", "; ".join(told))
            return _load_jobs(connection, [number])[0]

    def close_job(self, number: int) -> Job:
        """Close a job; closing a closed one changes nothing."""
        return self._set_state(number, closed=True)

    def reopen_job(self, number: int) -> Job:
        """Open a closed job again; an open one stays as it is."""
        return self._set_state(number, closed=False)

    def _set_state(self, number: int, *, closed: bool) -> Job:
        with self._writing() as connection:
            row = find_job(connection, number, lock=True)
            if (row["closed_utc"] is not None) != closed:
                now = utc_now() if closed else None
                update_row(connection, tables.job, number, closed_utc=now)
                add_event(connection, number, "closed" if closed else "reopened", row["label"])
            return _load_jobs(connection, [number])[0]

    def add_note(self, number: int, text: str) -> Job:
        """
        Add a note to a job.

        Raises
        ------
        InputError
            The job is not in the book or closed, or the note is empty.
        """
        check_text("note", text, empty=False)
        with self._writing() as connection:
            closed_utc = find_job(connection, number, lock=True)["closed_utc"]
            if closed_utc is not None:
                raise InputError(
                    f"job {number}: is closed since {closed_utc[:10]}; the note was not kept; "
                    f"`voicecheck job reopen {number}` opens it again"
                )
            insert_row(connection, tables.note, job_id=number, added_utc=utc_now(), text=text)
            refresh_search(connection, number)
            add_event(connection, number, "note", text)
            return _load_jobs(connection, [number])[0]

    def attach_file(self, number: int, path: str | Path) -> Attachment:
        """
        Keep a copy of a file (a photograph, say) with a job; the same file twice is one.

        Raises
        ------
        InputError
            The job is not in the book, or the file cannot be read.
        """
        path = Path(path)
        with self._reading() as connection:
            find_job(connection, number)
        if not path.is_file():
            raise InputError(f"attachment {path}: no such file")
        name = check_text("file name", path.name, empty=False)
        with translate_failures(self.name):
            sha256, n_bytes = self._vault.store_attachment(read_source(path))
        with self._writing() as connection:
            find_job(connection, number, lock=True)
            kept = Attachment(sha256=sha256, name=name, added_utc=utc_now())
            if file_attachment(connection, number, kept, n_bytes):
                add_event(connection, number, "file", name)
            job = _load_jobs(connection, [number])[0]
            return next(one for one in job.attachments if (one.sha256, one.name) == (sha256, name))

    def locate_attachment(self, sha256: str) -> Path:
        """
        Where the bytes of an attachment lie; they are checked first.

        Raises
        ------
        InputError
            No attachment has that content.
        JobBookError
            The file is missing or damaged.
        """
        table = tables.attachment
        statement = sa.select(table).where(table.c.sha256 == sha256).limit(1)
        with self._reading() as connection:
            rows = select_rows(connection, table, statement)
            if not rows:
                raise InputError(f"attachment {sha256[:12]}: not in the book")
            path = self._vault.locate_attachment(sha256)
            if not path.is_file() or hash_file(path) != sha256:
                raise JobBookError(
                    f"job book {self.name}: attachment {rows[0]['name']} ({path}) is missing or "
                    "damaged; the rest of the book is untouched; restore this file from a backup"
                )
            return path

    def list_events(self, number: int) -> tuple[Event, ...]:
        """
        Time line of a job, oldest first, in the order in which things were done.

        Raises
        ------
        InputError
            The job is not in the book.
        """
        with self._reading() as connection:
            find_job(connection, number)
            rows = select_in(connection, tables.event, tables.event.c.job_id, [number])
        return tuple(
            Event(at_utc=row["at_utc"], kind=row["kind"], text=row["text"]) for row in rows
        )


def check_set_type(set_type: SetType) -> None:
    """Refuse a set type with a value out of range (`InputError`)."""
    check_text("set type", set_type.name, empty=False)
    for text in (set_type.region, set_type.notes, set_type.wiring):
        check_text(f"set type {set_type.name}", text)
    check_word(set_type.transmitter, TRANSMITTERS, "transmitter")
    if not 0.0 < set_type.feed_ma <= 200.0:
        raise InputError(f"feed_ma: need 0 to 200 mA, got {set_type.feed_ma}")


def file_attachment(connection: sa.Connection, number: int, kept: Attachment, n_bytes: int) -> bool:
    """Row of an attachment whose bytes are on disk; the same twice is one. Tells if it is new."""
    keys = {"job_id": number, "sha256": kept.sha256, "name": kept.name}
    moved = {"stage": kept.stage or None, "aside": kept.aside or None}
    values = {**keys, "n_bytes": n_bytes, "added_utc": kept.added_utc, **moved}
    return insert_once(connection, tables.attachment, list(keys), **values)[1]


def read_work(row: Mapping[str, Any]) -> Work:
    """Entry of a row."""
    return Work(
        number=row["id"],
        kind=row["kind"],
        what=row["what"],
        old_value=row["old_value"],
        new_value=row["new_value"],
        value=row["number"],
        added_utc=row["added_utc"],
        answer=row["answer"] or "",
        answered_utc=row["answered_utc"],
        withdrawn=row["withdrawn"] or "",
    )


def read_attachment(row: Mapping[str, Any]) -> Attachment:
    """Attachment of a row."""
    return Attachment(
        sha256=row["sha256"],
        name=row["name"],
        added_utc=row["added_utc"],
        stage=row["stage"] or "",
        aside=row["aside"] or "",
    )


def _choose_jobs(
    statement: sa.Select[Any], search: str | None, state: str | None
) -> sa.Select[Any]:
    statement = statement.where(tables.job.c.removed_utc.is_(None))
    if state is not None:
        check_word(state, STATES, "state")
        closed_utc = tables.job.c.closed_utc
        statement = statement.where(
            closed_utc.is_(None) if state == "open" else closed_utc.is_not(None)
        )
    return match_words(statement, tables.job.c.search_text, search)


def _check_words(words: Mapping[str, str | None]) -> dict[str, str]:
    """Words about a job that can be stored, in their order."""
    if unknown := set(words) - set(JOB_WORDS):
        raise TypeError(f"a job has no {', '.join(sorted(unknown))}")
    if language := words.get("language"):
        load_words(language)
    return {
        name: check_text(name, said) for name in JOB_WORDS if (said := words.get(name)) is not None
    }


def refresh_search(connection: sa.Connection, number: int) -> None:
    """Bring a job's searchable text up to date with the job and its notes."""
    job = _load_jobs(connection, [number])[0]
    words = (getattr(job, name) for name in JOB_WORDS)
    done = (text for one in job.work for text in (one.what, one.old_value, one.new_value))
    text = fold(job.label, job.type_name, *words, *job.notes, *done)
    update_row(connection, tables.job, number, search_text=text)


def _load_jobs(connection: sa.Connection, numbers: Sequence[int]) -> list[Job]:
    """Jobs of these numbers, oldest first."""
    job, set_type = tables.job, tables.set_type
    rows = select_named(connection, job, numbers)
    type_ids = sorted({row["set_type_id"] for row in rows})
    types = {row["id"]: row["name"] for row in select_named(connection, set_type, type_ids)}
    notes: dict[int, list[str]] = defaultdict(list)
    for row in select_in(connection, tables.note, tables.note.c.job_id, numbers):
        notes[row["job_id"]].append(row["text"])
    work: dict[int, list[Work]] = defaultdict(list)
    for row in select_in(connection, tables.work, tables.work.c.job_id, numbers):
        work[row["job_id"]].append(read_work(row))
    files: dict[int, list[Attachment]] = defaultdict(list)
    for row in select_in(connection, tables.attachment, tables.attachment.c.job_id, numbers):
        files[row["job_id"]].append(read_attachment(row))
    return [
        Job(
            job=row["id"],
            label=row["label"],
            type_name=types[row["set_type_id"]],
            opened_utc=row["opened_utc"],
            closed_utc=row["closed_utc"],
            stage=find_stage(connection, row),
            # A row from before a word was added holds nothing for it.
            **{name: row[name] or "" for name in JOB_WORDS},
            notes=tuple(notes[row["id"]]),
            attachments=tuple(files[row["id"]]),
            set=row["telephone_id"],
            work=tuple(work[row["id"]]),
            forgotten_utc=row["forgotten_utc"],
        )
        for row in sorted(rows, key=lambda row: int(row["id"]))
    ]
