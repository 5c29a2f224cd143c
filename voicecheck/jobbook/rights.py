"""
Who may look into a book: its user alone.

Owners, complaints and photographs are nobody else's business, so that a book's folder is 0700 and
its files are 0600, whatever the user's own setting (umask) would give. A folder beside a database
server that its group may write into is shared by several benches: there the group has what the
folder gives it, and others have nothing. Windows keeps such rights in another way: a folder in
the user's own data is closed to others there.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from voicecheck.writing import make_folder

PRIVATE_FOLDER, PRIVATE_FILE = 0o700, 0o600
GROUP, OTHERS = 0o070, 0o007

_log = logging.getLogger(__name__)


def make_book_folder(folder: Path) -> None:
    """Make the folder of a book where it is not there."""
    make_folder(folder, PRIVATE_FOLDER)


def make_inner_folder(folder: Path, book_folder: Path) -> None:
    """
    Make a folder inside of a book, with the rights that the book's own folder gives.

    Raises
    ------
    FileNotFoundError
        The book's own folder is there no longer: another of its name would be half a book.
    """
    if folder.is_dir():
        return
    if folder == book_folder:
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(book_folder))
    make_inner_folder(folder.parent, book_folder)
    make_folder(folder, PRIVATE_FOLDER)
    if shared := _read_mode(book_folder) & GROUP:
        folder.chmod(_read_mode(folder) | shared)


@contextlib.contextmanager
def create_file(path: Path, book_folder: Path) -> Iterator[BinaryIO]:
    """A new file of a book, open for writing; refused where one of that name is there."""

    def open_closed(name: str, flags: int) -> int:
        return os.open(name, flags, PRIVATE_FILE)

    with open(path, "xb", opener=open_closed) as file:
        if shared := _read_mode(book_folder) & 0o060:
            path.chmod(PRIVATE_FILE | shared)
        yield file


def create_database(path: Path) -> None:
    """An empty file for SQLite, whose log and index then have the same rights; kept if there."""
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE_FILE))


def close_to_others(folder: Path, *, may_be_shared: bool = False) -> bool:
    """
    Take from a book that is there what others may do with it; said in one line where it was so.

    Parameters
    ----------
    folder : Path
    may_be_shared : bool
        Whether a folder that its group may write into is left to the group.

    Returns
    -------
    bool
        Whether anything was changed: the next time nothing is.
    """
    if os.name == "nt":
        return False
    mode = _read_mode(folder)
    is_shared = may_be_shared and bool(mode & stat.S_IWGRP)
    taken = OTHERS if is_shared else GROUP | OTHERS
    if not mode & taken:
        return False
    try:
        # The folder last: whoever is stopped on the way finds it open and does the rest again.
        for path in (*_list_inside(folder), folder):
            path.chmod(_read_mode(path) & ~taken)
    except OSError:
        _log.warning(
            "voicecheck: job book %s: other users of this machine can read it, and it belongs to "
            "another user who alone can change that; nothing was changed (`chmod -R go= FOLDER`)",
            folder,
        )
        return False
    _log.warning(
        "voicecheck: job book %s: other users of this machine could read it; it is yours alone now",
        folder,
    )
    return True


def _list_inside(folder: Path) -> Iterator[Path]:
    """What a book is made of; never through a link, and nothing else that lies in its folder."""
    for name in ("book.db", "book.db-wal", "book.db-shm", "backup.json"):
        if (path := folder / name).is_file() and not path.is_symlink():
            yield path
    for name in ("incoming", "recordings", "attachments"):
        for place, folders, files in os.walk(folder / name, topdown=False):
            for inner in (*files, *folders):
                if not (path := Path(place, inner)).is_symlink():
                    yield path
        if (path := folder / name).is_dir() and not path.is_symlink():
            yield path


def _read_mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)
