"""Does the book still hold what was put into it."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa

from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore
from voicecheck.jobbook.removals import find_missing
from voicecheck.jobbook.rows import is_sound
from voicecheck.jobbook.vault import hash_file
from voicecheck.records import Problem


class CheckShelf(BookCore):
    """The book held against itself."""

    def verify(self) -> tuple[Problem, ...]:
        """
        Check everything: database, rows, recordings, attachments.

        Returns
        -------
        tuple of Problem
            Empty when all is well. Kinds: "damaged-database", "damaged-row", "missing-row",
            "dangling-row",
            "damaged-recording", "missing-recording", "unfiled-recording",
            "damaged-attachment", "missing-attachment". An unfiled recording is whole, but the
            process that saved it was ended before it said so: `adopt_strays` files it.
        """
        with self._reading() as connection:
            found = [*_check_database(connection), *_check_rows(connection)]
            found += _check_links(connection)
            found += _check_missing(connection)
            recordings = set(connection.execute(sa.select(tables.recording.c.sha256)).scalars())
            attachments = set(connection.execute(sa.select(tables.attachment.c.sha256)).scalars())
        found += self._check_recordings(recordings)
        for sha256 in sorted(attachments):
            path = self._vault.locate_attachment(sha256)
            found += _check_file(path.is_file() and hash_file(path), sha256, "attachment", path)
        return tuple(found)

    def _check_recordings(self, filed: set[str]) -> Iterator[Problem]:
        for sha256 in sorted(filed):
            path = self._vault.locate_recording(sha256)
            yield from _check_file(path.is_file() and hash_file(path), sha256, "recording", path)
        for path in sorted(self._vault.list_recordings()):
            if path.stem in filed:
                continue
            whole = hash_file(path) == path.stem
            yield Problem(
                kind="unfiled-recording" if whole else "damaged-recording",
                message=f"{path} is not in the database",
                effect="`adopt_strays` files it" if whole else "its bytes have changed",
            )


def _check_file(found: str | bool, sha256: str, what: str, path: object) -> Iterator[Problem]:
    if found is False:
        yield Problem(
            kind=f"missing-{what}", message=f"{path} is missing", effect="restore it from a backup"
        )
    elif found != sha256:
        yield Problem(
            kind=f"damaged-{what}",
            message=f"{path} is damaged: its bytes have changed",
            effect="restore it from a backup",
        )


def _check_database(connection: sa.Connection) -> Iterator[Problem]:
    if connection.dialect.name != "sqlite":
        return
    for line in connection.exec_driver_sql("PRAGMA integrity_check").scalars().all():
        if line != "ok":
            yield Problem(
                kind="damaged-database",
                message=str(line).replace("\n", " "),
                effect="restore a backup, or let salvage_book copy what can be read",
            )
    for table, row_id, target, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        yield Problem(
            kind="dangling-row",
            message=f"{table} {row_id} points to a {target} that is not there",
            effect="restore a backup",
        )


def _check_rows(connection: sa.Connection) -> Iterator[Problem]:
    for table in tables.list_numbered():
        statement = sa.select(table).order_by(table.c.id)
        try:
            for row in connection.execute(statement, execution_options={"yield_per": 1000}):
                values = dict(row._mapping)
                if not is_sound(values):
                    yield Problem(
                        kind="damaged-row",
                        message=f"row {values['id']} of table {table.name} has changed on the disk",
                        effect="restore a backup",
                    )
        except (sa.exc.DBAPIError, UnicodeDecodeError):
            yield Problem(
                kind="damaged-database",
                message=f"table {table.name} cannot be read to its end",
                effect="restore a backup, or let salvage_book copy what can be read",
            )


def _check_missing(connection: sa.Connection) -> Iterator[Problem]:
    """Rows that are gone without the program having taken them away."""
    try:
        for name, first, last in find_missing(connection):
            rows = f"row {first}" if first == last else f"rows {first} to {last}"
            are = "is" if first == last else "are"
            yield Problem(
                kind="missing-row",
                message=f"{rows} of table {name} {are} missing",
                effect="restore a backup that holds what was lost",
            )
    except sa.exc.DBAPIError:
        yield Problem(
            kind="damaged-database",
            message="the rows cannot be counted",
            effect="restore a backup, or let salvage_book copy what can be read",
        )


def _check_links(connection: sa.Connection) -> Iterator[Problem]:
    """Measurements of recordings that the book does not hold."""
    measurement, recording = tables.measurement, tables.recording
    join = measurement.outerjoin(recording, measurement.c.recording_sha256 == recording.c.sha256)
    statement = (
        sa.select(measurement.c.id, measurement.c.recording_sha256)
        .select_from(join)
        .where(measurement.c.recording_sha256.is_not(None), recording.c.id.is_(None))
        .order_by(measurement.c.id)
    )
    for number, sha256 in connection.execute(statement):
        yield Problem(
            kind="missing-recording",
            message=f"measurement {number} is of recording {sha256[:12]}, which was never saved",
            effect="its numbers cannot be computed again",
        )
