"""Whole books: backed up while in use, moved to another database, salvaged when damaged."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import uuid
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore
from voicecheck.jobbook.engine import FILE_NAME, make_engine, prepare_book
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.migrations import make_tables
from voicecheck.jobbook.numbering import read_last, set_last
from voicecheck.jobbook.rights import (
    close_to_others,
    create_database,
    make_book_folder,
    make_inner_folder,
)
from voicecheck.jobbook.rows import check_row
from voicecheck.jobbook.vault import (
    PART,
    Vault,
    hash_file,
    name_temporary,
    read_chunks,
    write_whole,
)
from voicecheck.records import Problem
from voicecheck.writing import DOOR, expand, sync_folder

BACKUP_NOTE = "backup.json"
BATCH = 1000
UNREADABLE = (sqlite3.DatabaseError, UnicodeError)
"""What reading a damaged database raises; its messages too may be damaged text."""


class CopyShelf(BookCore):
    """The book as a whole."""

    def backup(self, folder: str | Path) -> tuple[Problem, ...]:
        """
        Copy the book as it is now into a folder, while others go on writing.

        The copy is a book itself: open it to look, or put it in the place of a lost one. Into
        the same folder again only new files are copied. A book on PostgreSQL becomes a SQLite
        book there.

        Returns
        -------
        tuple of Problem
            Files that could not be copied because they are missing or damaged here.

        Raises
        ------
        InputError
            The folder is the book's own, or holds something else than a backup of this book.
        JobBookError
            The disk failed; an earlier backup in the folder is still whole.
        """
        folder = expand(folder)
        with translate_failures(str(folder)):
            self._check_backup_folder(folder)
            make_book_folder(folder)
            close_to_others(folder)
            DOOR.check(folder / FILE_NAME)
            note = msgspec.json.encode({"schema": "voicecheck.backup/1", "book": self._call()})
            write_whole(folder / BACKUP_NOTE, note)
            vault = Vault(folder)
            vault.sweep()
            make_inner_folder(folder / "incoming", folder)
            snapshot = folder / "incoming" / name_temporary(".db")
            try:
                create_database(snapshot)
                create_database(folder / FILE_NAME)
                self._snapshot(snapshot)
                problems = tuple(copy_files(self._vault, vault, *list_files(snapshot)))
                replace_database(snapshot, folder / FILE_NAME)
            finally:
                for path in snapshot.parent.glob(f"{snapshot.name}*"):
                    path.unlink()
        return problems

    def copy_into(self, other: BookCore) -> tuple[Problem, ...]:
        """
        Copy everything into a new, empty book, on either kind of database.

        Returns
        -------
        tuple of Problem
            Files that could not be copied because they are missing or damaged here.

        Raises
        ------
        InputError
            The other book is not empty.
        """
        with self._reading() as source, other._writing() as target:
            for table in (tables.set_type, tables.recording, tables.bench_record):
                if target.execute(sa.select(table.c.id).limit(1)).first():
                    raise InputError(f"job book {other.name}: need an empty one to copy into")
            copy_rows(source, target)
            recordings = list(source.execute(sa.select(tables.recording.c.sha256)).scalars())
            attachments = list(source.execute(sa.select(tables.attachment.c.sha256)).scalars())
            return tuple(copy_files(self._vault, other._vault, recordings, attachments))

    def _check_backup_folder(self, folder: Path) -> None:
        own, there = self._vault.folder.resolve(), folder.resolve()
        if there == own or own in there.parents or there in own.parents:
            raise InputError(f"backup {folder}: need a folder outside of the book's own")
        note = folder / BACKUP_NOTE
        if not note.is_file():
            # A first backup may have been killed while it wrote its note.
            begun = {f"{BACKUP_NOTE}{PART}"}
            if folder.exists() and not (
                folder.is_dir() and {path.name for path in folder.iterdir()} <= begun
            ):
                raise InputError(f"backup {folder}: not empty and no backup; choose another")
            return
        try:
            book = msgspec.json.decode(note.read_bytes(), type=dict[str, str]).get("book")
        except msgspec.MsgspecError:
            book = None
        if book not in (self.name, self._call()):
            raise InputError(f"backup {folder}: holds the backup of {book}; choose another")

    def _call(self) -> str:
        """The book as a backup knows it, from wherever the program is called."""
        is_file = self._engine.dialect.name == "sqlite"
        return str(self._vault.folder.resolve()) if is_file else self.name

    def _snapshot(self, path: Path) -> None:
        """One consistent state of the database as a SQLite file."""
        if self._engine.dialect.name == "sqlite":
            with self._reading() as connection, contextlib.closing(sqlite3.connect(path)) as copy:
                raw = connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.backup(copy)
            return
        engine = make_engine(sa.URL.create("sqlite", database=str(path)))
        try:
            with self._reading() as source, engine.begin() as target:
                make_tables(target)
                copy_rows(source, target)
        finally:
            engine.dispose()


def copy_rows(source: sa.Connection, target: sa.Connection) -> None:
    """
    Copy every row with its number; all from one state of the source.

    Raises
    ------
    JobBookError
        A row of the source is damaged.
    """
    if source.dialect.name == "postgresql":
        source.rollback()
        source.execution_options(isolation_level="REPEATABLE READ")
    for table in tables.list_numbered():
        statement = sa.select(table).order_by(table.c.id)
        result = source.execute(statement, execution_options={"yield_per": BATCH})
        for some in result.partitions(BATCH):
            target.execute(sa.insert(table), [dict(check_row(table, row)) for row in some])
        # What was lost at the end of the source is missed in the copy, too.
        set_last(target, table, read_last(source, table))


def copy_files(
    source: Vault, target: Vault, recordings: Iterable[str], attachments: Iterable[str]
) -> Iterator[Problem]:
    """Copy files that are not there yet; what is missing or damaged is passed over and told."""
    pairs = [
        *((one, source.locate_recording(one), target.locate_recording(one)) for one in recordings),
        *(
            (one, source.locate_attachment(one), target.locate_attachment(one))
            for one in attachments
        ),
    ]
    for sha256, old, new in pairs:
        if new.is_file() and old.is_file() and new.stat().st_size == old.stat().st_size:
            continue
        if not old.is_file() or hash_file(old) != sha256:
            what = "damaged" if old.is_file() else "missing"
            yield Problem(
                kind=f"{what}-{'recording' if old.suffix else 'attachment'}",
                message=f"{old} is {what}",
                effect="not copied",
            )
        elif old.suffix:
            target.store_recording(old.read_bytes())
        else:
            target.store_attachment(read_chunks(old))


def list_files(snapshot: Path) -> tuple[list[str], list[str]]:
    """Content hashes of the recordings and attachments that a database names."""
    with contextlib.closing(sqlite3.connect(snapshot)) as raw:
        return tuple(
            [row[0] for row in raw.execute(f"SELECT DISTINCT sha256 FROM {name}")]
            for name in ("recording", "attachment")
        )  # type: ignore[return-value]


def list_attachments(database: Path) -> set[str]:
    """Content hashes of the attachments that a database names."""
    return set(list_files(database)[1])


def replace_database(snapshot: Path, target: Path) -> None:
    """Bring a database to the state of a snapshot, whole or not at all (SQLite's own way)."""
    with (
        contextlib.closing(sqlite3.connect(snapshot)) as new,
        contextlib.closing(sqlite3.connect(target)) as old,
    ):
        old.execute("PRAGMA synchronous=FULL")
        new.backup(old)


@contextlib.contextmanager
def make_aside(folder: Path) -> Iterator[Path]:
    """
    A folder under another name, which gets its own when the block ends without an error.

    Raises
    ------
    InputError
        There is something of that name that holds anything, or the program was started in it.
    """
    folder = folder.resolve()
    is_taken = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    if is_taken or folder == Path.cwd():
        raise InputError(f"{folder}: need a new folder")
    aside = folder.with_name(f".voicecheck-{os.getpid()}-{uuid.uuid4().hex}{PART}")
    try:
        make_book_folder(aside)
        yield aside
        if folder.exists():
            folder.rmdir()
        aside.rename(folder)
        sync_folder(folder.parent)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def copy_damaged(source: Path, folder: Path) -> Path:
    """A copy of a damaged database with its log, to be read without touching the original."""
    make_book_folder(folder)
    for path in source.parent.glob(f"{source.name}*"):
        shutil.copy(path, folder / path.name)
    return folder / source.name


def prepare_new(folder: Path) -> sa.Engine:
    """Engine of a new book in a folder."""
    engine = make_engine(sa.URL.create("sqlite", database=str(folder / FILE_NAME)))
    try:
        prepare_book(engine, folder, str(folder), create=True)
    except JobBookError:
        engine.dispose()
        raise
    return engine


def list_row_numbers(raw: sqlite3.Connection, name: str) -> range:
    """Every number that a row of a table may have."""
    for query in (
        f"SELECT seq FROM sqlite_sequence WHERE name = '{name}'",
        f"SELECT max(id) FROM {name}",
    ):
        try:
            row: Any = raw.execute(query).fetchone()
        except UNREADABLE:
            continue
        if row and row[0]:
            return range(1, int(row[0]) + 1)
    return range(0)
