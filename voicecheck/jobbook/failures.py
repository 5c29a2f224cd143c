"""Library errors translated at the edge of the book: one line, what is kept, what to do next."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from voicecheck.errors import JobBookError

KEPT = "everything that was reported as saved is kept"
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_FORBIDDEN = (errno.EACCES, errno.EPERM, errno.EROFS)
_DAMAGED = ("malformed", "not a database", "malformed database schema", "could not decode")


@contextmanager
def translate_failures(where: str) -> Iterator[None]:
    """
    Turn errors of the operating system and of the database into `JobBookError`.

    Parameters
    ----------
    where : str
        The book as the user knows it; no password in it.

    Raises
    ------
    JobBookError
        For every error of the system or the database inside the block.
    """
    try:
        yield
    except OSError as error:
        raise JobBookError(describe_os_error(error, where)) from error
    except sa.exc.DBAPIError as error:
        raise JobBookError(describe_database_error(error.orig or error, where)) from error
    except UnicodeDecodeError as error:
        # SQLite quotes the damaged text in its own message.
        raise JobBookError(describe_damage(where, "text that is none")) from error
    except sqlite3.Error as error:
        raise JobBookError(describe_database_error(error, where)) from error
    except sa.exc.SQLAlchemyError as error:
        raise JobBookError(
            f"job book {where}: the database cannot be used ({_first_line(error)}); {KEPT}"
        ) from error


def describe_os_error(error: OSError, where: str) -> str:
    """One line for an error of the operating system; the file is named where it is known."""
    place = error.filename or where
    if error.errno in _FULL:
        return f"job book {where}: the disk is full; {KEPT}; free some space and do this again"
    if error.errno in _FORBIDDEN:
        return (
            f"job book {where}: no permission to write ({place}); "
            f"{KEPT}; make the folder writable or choose another with --book"
        )
    return f"job book {where}: {error.strerror or error} ({place}); {KEPT}"


def describe_database_error(error: BaseException, where: str) -> str:
    """One line for an error of the database driver."""
    text = _first_line(error)
    lowered = text.lower()
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or any(
        word in lowered for word in _DAMAGED
    ):
        return describe_damage(where, text)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED) or "lock timeout" in lowered:
        return (
            f"job book {where}: locked by another program for too long; {KEPT}; "
            "let the other one finish and do this again"
        )
    if code == sqlite3.SQLITE_FULL or "no space left" in lowered or "disk full" in lowered:
        return f"job book {where}: the disk is full; {KEPT}; free some space and do this again"
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return (
            f"job book {where}: cannot be opened for writing ({text}); "
            f"{KEPT}; make the folder writable or choose another with --book"
        )
    if code == sqlite3.SQLITE_IOERR:
        return f"job book {where}: the disk failed or is full ({text}); {KEPT}; check the disk"
    return f"job book {where}: the database answered: {text}; {KEPT}"


def describe_damage(where: str, text: str) -> str:
    """One line for a damaged database, with the way out."""
    return (
        f"job book {where}: the database is damaged ({text}); the recordings are files of their "
        "own and are untouched; restore a backup, or let salvage_book copy what can be read"
    )


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__
