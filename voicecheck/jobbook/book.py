"""The job book: one folder, or a PostgreSQL database and a folder of files."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Self

from voicecheck.jobbook.answers import AnswerShelf
from voicecheck.jobbook.backups import BackupShelf
from voicecheck.jobbook.bin import BinShelf
from voicecheck.jobbook.changes import ChangeShelf
from voicecheck.jobbook.checking import CheckShelf
from voicecheck.jobbook.engine import WAIT_S, choose_place, make_engine, prepare_book
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.jobs import JobShelf
from voicecheck.jobbook.merging import MergeShelf
from voicecheck.jobbook.parcels import ParcelShelf
from voicecheck.jobbook.reanalysis import ReanalysisShelf
from voicecheck.jobbook.recordings import RecordingShelf
from voicecheck.jobbook.runs import RunShelf
from voicecheck.jobbook.sets import SetShelf
from voicecheck.jobbook.shop import ShopShelf
from voicecheck.jobbook.stages import StageShelf
from voicecheck.jobbook.tallies import TallyShelf
from voicecheck.jobbook.traces import TraceShelf
from voicecheck.jobbook.vault import Vault
from voicecheck.jobbook.work import WorkShelf


class JobBook(
    JobShelf,
    RecordingShelf,
    RunShelf,
    ReanalysisShelf,
    ParcelShelf,
    MergeShelf,
    BackupShelf,
    CheckShelf,
    ChangeShelf,
    StageShelf,
    TraceShelf,
    BinShelf,
    AnswerShelf,
    SetShelf,
    WorkShelf,
    ShopShelf,
    TallyShelf,
):
    """
    An open job book; use it as a context manager.

    Every `save_`, `add_` and `open_` is on disk when it returns.

    Examples
    --------
    >>> import tempfile
    >>> from voicecheck.records import SetType
    >>> folder = tempfile.mkdtemp()
    >>> with JobBook.open(folder) as book:
    ...     book.add_type(SetType(name="Lakeside 4"))
    ...     book.open_job("hall set", "Lakeside 4", owner="A. Invented").job
    1
    """

    @classmethod
    def open(
        cls, where: str | Path | None = None, *, create: bool = True, wait_s: float = WAIT_S
    ) -> Self:
        """
        Open a book, making it where there is none.

        Parameters
        ----------
        where : str, Path or None
            A folder; or "postgresql://user@host/name?recordings=/folder", where the folder of
            the files is shared by the benches too; `None` is the user's data folder.
        create : bool
            Whether to make a book where there is none.
        wait_s : float
            How long to wait for another program that is writing, seconds.

        Returns
        -------
        JobBook

        Raises
        ------
        InputError
            `where` is a URL of another kind.
        JobBookError
            Not writable, full, locked, damaged, or written by a newer version.
        """
        url, folder, name = choose_place(where)
        engine = make_engine(url, wait_s)
        try:
            with translate_failures(name):
                prepare_book(engine, folder, name, create=create)
                vault = Vault(folder)
                vault.sweep()
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, vault, name)

    def close(self) -> None:
        """Close the book; nothing is lost without it."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()
