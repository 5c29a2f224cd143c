"""
What can be read of a damaged book, copied into a new one.

The damaged book is not touched. Rows are taken one by one: a sound row as it is; one that has
changed but can still be read, as it now reads, and told; one that cannot be read is left out and
told. Recordings come from their files, which carry all that is needed, whatever the database
says of them.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import sys
from collections import defaultdict
from collections.abc import Container, Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from voicecheck.errors import JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.copying import (
    UNREADABLE,
    copy_damaged,
    copy_files,
    list_row_numbers,
    make_aside,
    prepare_new,
)
from voicecheck.jobbook.engine import FILE_NAME
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.recordings import RecordingShelf
from voicecheck.jobbook.removals import COUNTED, note_gaps
from voicecheck.jobbook.rows import compute_digest, encode_record, insert_row, is_sound
from voicecheck.jobbook.vault import Vault
from voicecheck.records import (
    Baseline,
    Comparison,
    Measurement,
    Problem,
    Recipe,
    Run,
    SetType,
    from_json,
)
from voicecheck.records.shop import Shop
from voicecheck.writing import expand

DOCUMENTS: dict[str, type] = {
    "set_type": SetType,
    "recipe": Recipe,
    "run": Run,
    "measurement": Measurement,
    "baseline": Baseline,
    "comparison": Comparison,
    "shop": Shop,
}


def salvage_book(where: str | Path, into: str | Path) -> tuple[Problem, ...]:
    """
    Copy what can be read of a damaged book into a new one.

    Parameters
    ----------
    where : str or Path
        Folder of the damaged book; it is only read.
    into : str or Path
        A new folder.

    Returns
    -------
    tuple of Problem
        What was lost, and what was kept although it has changed and should be looked at.

    Raises
    ------
    InputError
        The new folder holds something.
    JobBookError
        There is no book, or the disk failed.
    """
    where, into = expand(where), expand(into)
    with translate_failures(str(into)):
        if not (where / FILE_NAME).is_file():
            raise JobBookError(f"job book {where}: there is none")
        with make_aside(into) as aside:
            engine = prepare_new(aside)
            try:
                found = list(_salvage_rows(where, aside, engine))
                found += _salvage_files(where, aside, engine)
            finally:
                engine.dispose()
            shutil.rmtree(aside / "damaged")
    return tuple(found)


def _salvage_files(where: Path, into: Path, engine: sa.Engine) -> Iterator[Problem]:
    source, target = Vault(where), Vault(into)
    with engine.connect() as connection:
        attachments = list(connection.execute(sa.select(tables.attachment.c.sha256)).scalars())
        filed = list(connection.execute(sa.select(tables.recording.c.sha256)).scalars())
    there = [path.stem for path in source.list_recordings()]
    yield from copy_files(source, target, sorted({*there, *filed}), sorted(set(attachments)))
    RecordingShelf(engine, target, str(into)).adopt_strays()


def _salvage_rows(where: Path, into: Path, engine: sa.Engine) -> Iterator[Problem]:
    copy = copy_damaged(where / FILE_NAME, into / "damaged")
    kept: dict[str, set[int]] = defaultdict(set)
    with contextlib.closing(sqlite3.connect(copy)) as raw, engine.begin() as target:
        raw.row_factory = sqlite3.Row
        # A damaged line in the list of tables would otherwise close all tables.
        raw.execute("PRAGMA writable_schema=ON")
        raw.text_factory = lambda text: text.decode("utf-8", "replace")
        for table in tables.list_numbered():
            yield from _salvage_table(raw, target, table, kept)
        # What is lost has been told: the new book does not miss it again.
        note_gaps(target)


def _salvage_table(
    raw: sqlite3.Connection, target: sa.Connection, table: sa.Table, kept: dict[str, set[int]]
) -> Iterator[Problem]:
    removed = _list_removed(raw, table.name)
    for number in list_row_numbers(raw, table.name):
        try:
            row = raw.execute(f"SELECT * FROM {table.name} WHERE id = ?", (number,)).fetchone()
        except UNREADABLE:
            yield _tell(table, number, "cannot be read", "lost")
            continue
        if row is None:
            if number not in removed:
                yield _tell(table, number, "is missing", "lost")
            continue
        values = {column.name: dict(row).get(column.name) for column in table.c}
        changed = not is_sound(values)
        if changed and not _is_readable(table, values):
            yield _tell(table, number, "has changed and cannot be read", "lost")
            continue
        lost = _find_lost(table, values, kept)
        if lost:
            yield _tell(
                table, number, f"belongs to a {lost} that is lost", "kept as far as it goes"
            )
            if not _detach(target, table, values, lost, kept):
                continue
            changed = True
        elif changed:
            yield _tell(table, number, "has changed on the disk", "kept as it reads now; check it")
        if changed:
            values["digest"] = compute_digest(values)
        try:
            with target.begin_nested():
                target.execute(sa.insert(table).values(**values))
        except sa.exc.DBAPIError:
            yield _tell(table, number, "does not fit the others", "lost")
        else:
            kept[table.name].add(number)


def _list_removed(raw: sqlite3.Connection, name: str) -> Container[int]:
    """Numbers that may be missing: taken away by the program, or not counted in this book."""
    query = "SELECT first_id, last_id FROM removed_row WHERE table_name = ?"
    if name not in COUNTED:
        return range(sys.maxsize)
    try:
        stretches = raw.execute(query, (name,)).fetchall()
    except UNREADABLE:
        # A book from before they were noted.
        return range(sys.maxsize)
    return {number for first, last in stretches for number in range(first, last + 1)}


def _is_readable(table: sa.Table, values: Mapping[str, Any]) -> bool:
    """Whether a changed row still has every value, and a document that fits."""
    if any(values[column.name] is None and not column.nullable for column in table.c):
        return False
    kind = DOCUMENTS.get(table.name)
    try:
        if kind is not None:
            from_json(values["document"], kind)
        elif "document" in values:
            msgspec.json.decode(values["document"])
    except (msgspec.MsgspecError, UnicodeError):
        return False
    return True


def _find_lost(
    table: sa.Table, values: Mapping[str, Any], kept: Mapping[str, set[int]]
) -> str | None:
    """Table of the first row that this one belongs to and that is not there."""
    for column in table.c:
        for key in column.foreign_keys:
            target = key.column.table.name
            value = values[column.name]
            if value is not None and value not in kept[target]:
                return str(target)
    return None


def _detach(
    target: sa.Connection,
    table: sa.Table,
    values: dict[str, Any],
    lost: str,
    kept: Mapping[str, set[int]],
) -> bool:
    """Free a row from what it belonged to, or give it a stand-in; whether that could be."""
    for column in table.c:
        for key in column.foreign_keys:
            if key.column.table.name != lost or values[column.name] in kept[lost]:
                continue
            if column.nullable:
                values[column.name] = None
            elif lost == "set_type":
                stand_in = SetType(name=f"lost set type {values[column.name]}")
                insert_row(
                    target,
                    tables.set_type,
                    id=values[column.name],
                    name=stand_in.name,
                    document=encode_record(stand_in),
                )
                kept[lost].add(values[column.name])
            else:
                return False
    return _find_lost(table, values, kept) is None


def _tell(table: sa.Table, number: int, message: str, effect: str) -> Problem:
    return Problem(
        kind="damaged-row",
        message=f"row {number} of table {table.name} {message}",
        effect=effect,
    )
