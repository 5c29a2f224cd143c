"""
Jobs, recordings, runs and baselines, kept so that nothing is lost.

A book is a folder: `book.db` (SQLite) and `recordings/`, `attachments/`; or a PostgreSQL
database with such a folder of files beside it. A recording is on disk before it is analysed;
everything derived can be computed again and says which version computed it.

The database library loads when one of the names is first asked for.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from voicecheck.jobbook.book import JobBook
    from voicecheck.jobbook.salvage import salvage_book

__all__ = ["JobBook", "salvage_book"]


def __getattr__(name: str) -> object:
    if name == "JobBook":
        from voicecheck.jobbook.book import JobBook

        return JobBook
    if name == "salvage_book":
        from voicecheck.jobbook.salvage import salvage_book

        return salvage_book
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
