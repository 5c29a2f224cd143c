"""
Dated backups: one a day of use, the last seven days and one a month.

    FOLDER/               a backup as `book backup` makes it: a book itself, of the newest day
    FOLDER/dated/DAY.db   the database of that day; its files are those of FOLDER

They lie beside the book, on the same disk: against slips and damage of the book, not against the
loss of the disk. An owner who is forgotten is forgotten in all of them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook.copying import (
    CopyShelf,
    copy_files,
    list_attachments,
    list_files,
    make_aside,
    prepare_new,
    replace_database,
)
from voicecheck.jobbook.engine import FILE_NAME, make_engine, prepare_book
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.forgetting import ForgetShelf, Forgotten
from voicecheck.jobbook.rights import create_database, make_inner_folder
from voicecheck.jobbook.vault import Vault
from voicecheck.records import Problem
from voicecheck.writing import expand

DATED = "dated"
DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
N_DAYS = 7


class BackupShelf(CopyShelf, ForgetShelf):
    """Backups with their day."""

    def find_backup_folder(self) -> Path:
        """Where the dated backups lie: beside the book's own folder."""
        return name_backups(self._vault.folder)

    def backup_of_day(self, day: str, folder: str | Path | None = None) -> tuple[Problem, ...]:
        """
        Keep the book as it is now under a day, and let older days go; once a day only.

        Parameters
        ----------
        day : str
            "2031-05-04".
        folder : path, optional
            Left out, the one beside the book.

        Returns
        -------
        tuple of Problem
            Files that could not be copied.

        Raises
        ------
        InputError, JobBookError
            As `backup`.
        """
        folder = self.find_backup_folder() if folder is None else expand(folder)
        target = folder / DATED / f"{_check_day(day)}.db"
        if target.is_file():
            return ()
        problems = self.backup(folder)
        with translate_failures(str(folder)):
            make_inner_folder(target.parent, folder)
            part = target.with_suffix(".part")
            part.unlink(missing_ok=True)
            create_database(part)
            replace_database(folder / FILE_NAME, part)
            part.replace(target)
            days = list_days(folder)
            for gone in sorted(set(days) - set(choose_kept(days, day))):
                _remove_database(folder / DATED / f"{gone}.db")
            prune_files(folder)
        return problems

    def list_backup_days(self) -> list[str]:
        """Days of which there is a backup beside the book, the oldest first."""
        return list_days(self.find_backup_folder())

    def forget_everywhere(
        self, number: int, folders: Sequence[str | Path] = ()
    ) -> tuple[Forgotten, int]:
        """
        Forget the owner of a job here and in every backup.

        Parameters
        ----------
        number : int
        folders : sequence of path
            Further folders that `backup` wrote; the dated backups beside the book are found.

        Returns
        -------
        forgotten : Forgotten
        n_copies : int
            Databases of backups that knew the job.

        Raises
        ------
        InputError
            The job is not in the book, or a folder is no backup.
        """
        own = self.find_backup_folder()
        wanted = [*([own] if (own / FILE_NAME).is_file() else []), *map(expand, folders)]
        for folder in wanted:
            if not (folder / FILE_NAME).is_file():
                raise InputError(f"backup {folder}: there is none; nobody was forgotten")
        forgotten = self.forget_owner(number)
        n_copies = 0
        for folder in wanted:
            for database in (folder / FILE_NAME, *sorted((folder / DATED).glob("*.db"))):
                n_copies += self._forget_in(folder, database, forgotten)
            prune_files(folder)
        return forgotten, n_copies

    def _forget_in(self, folder: Path, database: Path, forgotten: Forgotten) -> bool:
        engine = make_engine(sa.URL.create("sqlite", database=str(database)))
        try:
            with translate_failures(str(database)):
                prepare_book(engine, folder, str(database), create=False)
                copy = type(self)(engine, Vault(folder), str(database))
                return copy.forget_marked(forgotten)
        finally:
            engine.dispose()


def choose_kept(days: Sequence[str], today: str) -> list[str]:
    """
    Days that are kept: the last seven, and the last of each month; all that are still to come.

    Those to come are of a clock that has been set back: neither they nor today's are let go for it.

    Examples
    --------
    >>> days = ["2031-03-30", "2031-03-31", *(f"2031-04-{day:02}" for day in range(1, 10))]
    >>> choose_kept(days, "2031-04-09")[:3]
    ['2031-03-31', '2031-04-03', '2031-04-04']
    >>> len(choose_kept(days, "2031-03-30"))
    11
    """
    to_come = [day for day in days if day > today]
    ordered = sorted({*days} - {*to_come})
    of_months = {day[:7]: day for day in ordered}
    return sorted({*ordered[-N_DAYS:], *of_months.values(), *to_come})


def list_days(folder: Path) -> list[str]:
    """Days of which a folder has a backup, the oldest first."""
    return sorted(one.stem for one in (folder / DATED).glob("*.db") if DAY.fullmatch(one.stem))


def restore_day(folder: str | Path, day: str, into: str | Path) -> tuple[Problem, ...]:
    """
    Make a book of a dated backup in a new folder.

    Returns
    -------
    tuple of Problem
        Files that are missing or damaged in the backup.

    Raises
    ------
    InputError
        There is none of that day, or the new folder holds something.
    """
    folder, into = expand(folder), expand(into)
    database = folder / DATED / f"{_check_day(day)}.db"
    with translate_failures(str(folder)):
        if not database.is_file():
            have = ", ".join(list_days(folder)) or "none"
            raise InputError(f"backup of {day}: there is none in {folder} (it has: {have})")
    with translate_failures(str(into)), make_aside(into) as aside:
        prepare_new(aside).dispose()
        replace_database(database, aside / FILE_NAME)
        engine = make_engine(sa.URL.create("sqlite", database=str(aside / FILE_NAME)))
        try:
            prepare_book(engine, aside, str(into), create=False)
        finally:
            engine.dispose()
        named = list_files(aside / FILE_NAME)
        return tuple(copy_files(Vault(folder), Vault(aside), *named))


def prune_files(folder: Path) -> None:
    """Remove attachments that no database of a backup names any more."""
    named: set[str] = set()
    for database in (folder / FILE_NAME, *(folder / DATED).glob("*.db")):
        named |= list_attachments(database)
    for path in (folder / "attachments").glob("??/*"):
        if path.name not in named:
            path.unlink()


def _remove_database(path: Path) -> None:
    for one in path.parent.glob(f"{path.name}*"):
        one.unlink()


def _check_day(day: Any) -> str:
    if not DAY.fullmatch(str(day)):
        raise InputError(f"day: need one as 2031-05-04, got {str(day)[:20]!r}")
    return str(day)


def name_backups(folder: Path) -> Path:
    """Where the dated backups of a book in that folder lie: beside it."""
    own = folder.resolve()
    return own.with_name(f"{own.name}-backups")
