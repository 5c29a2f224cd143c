"""Opening the database: the connection's rules, the check at open, the first layout."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Any

import sqlalchemy as sa

import voicecheck
from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import migrations, tables
from voicecheck.jobbook.failures import describe_damage
from voicecheck.jobbook.rights import close_to_others, create_database, make_book_folder
from voicecheck.jobbook.vault import Vault
from voicecheck.writing import expand, sync_folder

FILE_NAME = "book.db"
WAIT_S = 30.0
LOG_ATTEMPTS = 100
BOOK_LOCK = 0x766F6963
CHECK_LIMIT_BYTES = 64 << 20
"""Books up to this size are read through at every open; larger ones when `verify` is asked."""

_POSTGRES_HINT = "PostgreSQL books need the extra `postgres` (pip install 'voicecheck[postgres]')"


def choose_place(where: str | Path | None) -> tuple[sa.URL, Path, str]:
    """
    Database, folder of the files, and name of a book.

    Parameters
    ----------
    where : str, Path or None
        A folder; a URL "postgresql://user@host/name?recordings=/folder"; `None` is the user's
        data folder.

    Returns
    -------
    url : sqlalchemy.URL
    folder : Path
    name : str
        For messages; without the password.
    """
    text = str(where) if where is not None else ""
    if "\0" in text:
        raise InputError("book: a name with a zero character in it is none; give another")
    if "://" in text:
        return _choose_server(text)
    folder = expand(where) if where else _user_folder()
    return sa.URL.create("sqlite", database=str(folder / FILE_NAME)), folder, str(folder)


def _choose_server(text: str) -> tuple[sa.URL, Path, str]:
    try:
        url = sa.make_url(text)
    except sa.exc.ArgumentError as error:
        raise InputError("book: need a folder or postgresql://user@host/name") from error
    if url.get_backend_name() != "postgresql":
        raise InputError(f"book: need a folder or a postgresql:// URL, got {url.drivername}://")
    stated = url.query.get("recordings")
    url = url.difference_update_query(["recordings"]).set(drivername="postgresql+psycopg")
    name = url.set(drivername="postgresql").render_as_string(hide_password=True)
    folder = Path(str(stated)) if stated else _user_folder() / "shared" / (url.database or "book")
    return url, expand(folder), name


def _user_folder() -> Path:
    import platformdirs

    return Path(platformdirs.user_data_path("voicecheck", appauthor=False)) / "book"


def make_engine(url: sa.URL, wait_s: float = WAIT_S) -> sa.Engine:
    """
    Engine with the book's rules on every connection.

    Raises
    ------
    JobBookError
        The database's driver is not installed.
    """
    if url.get_backend_name() == "postgresql":
        options = f"-c lock_timeout={int(wait_s * 1000)} -c synchronous_commit=on"
        try:
            engine = sa.create_engine(
                url, connect_args={"options": options, "connect_timeout": max(2, int(wait_s))}
            )
        except ImportError as error:
            raise JobBookError(f"{_POSTGRES_HINT}: {error}") from error
        sa.event.listen(engine, "begin", _begin_postgres)
        return engine
    engine = sa.create_engine(url, connect_args={"timeout": wait_s})
    sa.event.listen(engine, "connect", _prepare_sqlite)
    sa.event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    # The driver's own transactions leave half of a failed schema step behind.
    connection.isolation_level = None
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        _start_log(connection)
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")


def _start_log(connection: sqlite3.Connection) -> None:
    # SQLite does not wait here by itself when two programs make the same book at once.
    for attempt in range(LOG_ATTEMPTS):
        try:
            connection.execute("PRAGMA journal_mode=WAL").fetchone()
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or attempt + 1 == LOG_ATTEMPTS:
                raise
            time.sleep(0.05)
        else:
            return


def _begin_sqlite(connection: sa.Connection) -> None:
    # A writer takes its lock at once: upgrading a read lock later cannot be waited for.
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _begin_postgres(connection: sa.Connection) -> None:
    # One writer at a time, as on SQLite: rows are numbered without a gap, and of two benches that
    # open the same new book one makes it while the other waits and finds it made.
    if connection.get_execution_options().get("writing", False):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({BOOK_LOCK})")


def prepare_book(engine: sa.Engine, folder: Path, name: str, *, create: bool) -> None:
    """
    Make the book where there is none, bring it up to date, check it.

    Raises
    ------
    JobBookError
        There is none and none is wanted; newer than this program; damaged.
    """
    sqlite = engine.dialect.name == "sqlite"
    if sqlite:
        _check_folder(folder, name, create=create)
    make_book_folder(folder)
    close_to_others(folder, may_be_shared=not sqlite)
    if sqlite:
        create_database(folder / FILE_NAME)
    with engine.connect() as connection:
        if sqlite:
            check_integrity(connection, name, limit_bytes=CHECK_LIMIT_BYTES)
        version = read_version(connection)
    if version == tables.SCHEMA_VERSION:
        return
    if version is not None and not _is_older(version):
        raise JobBookError(
            f"job book {name}: written by a newer version of voicecheck (schema {version}; "
            f"this is {voicecheck.__version__}, schema {tables.SCHEMA_VERSION}); nothing was "
            "changed; install the newer version"
        )
    if version is not None and version not in {step.number for step in migrations.STEPS}:
        raise JobBookError(describe_damage(name, f"layout {version!r}, which was never written"))
    if version is None:
        _check_new(engine, folder, name, create=create)
    with engine.execution_options(writing=True).begin() as connection:
        _bring_up_to_date(connection)
    if sqlite:
        sync_folder(folder)


def _is_older(version: str) -> bool:
    return version.isdigit() and int(version) < int(tables.SCHEMA_VERSION)


def _check_folder(folder: Path, name: str, *, create: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise JobBookError(f"job book {name}: is a file; give the folder that holds the book")
    if not create and not (folder / FILE_NAME).is_file():
        raise JobBookError(f"job book {name}: there is none; check --book or VOICECHECK_BOOK")


def _check_new(engine: sa.Engine, folder: Path, name: str, *, create: bool) -> None:
    if not create:
        raise JobBookError(f"job book {name}: there is none; check --book or VOICECHECK_BOOK")
    if any(Vault(folder).list_recordings()) and engine.dialect.name == "sqlite":
        raise JobBookError(describe_damage(name, "empty, though there are recordings"))


def _bring_up_to_date(connection: sa.Connection) -> None:
    """Make the tables or bring them to the newest layout: all of it or nothing."""
    version = read_version(connection)
    if version is None:
        migrations.make_tables(connection)
    elif _is_older(version):
        migrations.apply_steps(connection, version)


def read_version(connection: sa.Connection) -> str | None:
    """Schema step of the database; `None` where there is no book yet."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    value = connection.execute(sa.select(tables.alembic_version.c.version_num)).scalar()
    return None if value is None else str(value)


def check_integrity(connection: sa.Connection, name: str, *, limit_bytes: int) -> None:
    """
    SQLite's own check of the file's structure.

    Raises
    ------
    JobBookError
        It found something.
    """
    n_pages = connection.exec_driver_sql("PRAGMA page_count").scalar() or 0
    page_bytes = connection.exec_driver_sql("PRAGMA page_size").scalar() or 0
    if n_pages * page_bytes <= limit_bytes:
        found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
        if found != "ok":
            raise JobBookError(describe_damage(name, str(found).replace("\n", " ")))
