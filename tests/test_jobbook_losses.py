"""What a book has lost is named: rows that are gone, bits that have turned, a layout of nobody."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import sys
from pathlib import Path

import pytest
from telling import fill_book

from voicecheck.cli.main import main
from voicecheck.errors import JobBookError
from voicecheck.jobbook import JobBook, salvage_book, tables
from voicecheck.jobbook.removals import COUNTED
from voicecheck.jobbook.rows import insert_row

TABLES = [table.name for table in tables.list_numbered()]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with a row in almost every table."""
    folder = tmp_path_factory.mktemp("whole")
    number = fill_book(folder / "book", n_good=2)
    (folder / "paper.txt").write_text("paper")
    with JobBook.open(folder / "book") as book:
        for text in ("one", "two", "three"):
            book.add_note(number, text)
        book.attach_file(number, folder / "paper.txt")
        book.save_bench_record("bench", "shop", "{}")
        assert book.verify() == ()
    return folder / "book"


@pytest.fixture
def book(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path / "book")
    return tmp_path / "book"


def change(book: Path, statement: str, *values: object) -> None:
    """What a disk, or another program, may do to a book."""
    with contextlib.closing(sqlite3.connect(book / "book.db")) as raw, raw:
        raw.execute(statement, values)


def count(book: Path, table: str) -> int:
    with contextlib.closing(sqlite3.connect(book / "book.db")) as raw:
        return int(raw.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def find(book: Path, kind: str) -> list[str]:
    with JobBook.open(book) as opened:
        return [one.message for one in opened.verify() if one.kind == kind]


@pytest.mark.parametrize("table", COUNTED)
@pytest.mark.parametrize("which", ["first", "last", "all"])
def test_rows_that_are_gone_are_named(book: Path, table: str, which: str) -> None:
    n_rows = count(book, table)
    if n_rows == 0:
        assert table in {"work", "recipe", "recording", "comparison"}, "this book was to have one"
        return
    where = {"first": "id = 1", "last": f"id = {n_rows}", "all": "1 = 1"}[which]
    change(book, f"DELETE FROM {table} WHERE {where}")
    (told,) = [one for one in find(book, "missing-row") if f"of table {table} " in one]
    rows = {"first": "row 1 ", "last": f"row {n_rows} "}.get(which)
    assert told.startswith(rows or ("row 1 " if n_rows == 1 else f"rows 1 to {n_rows} "))


def test_what_the_program_takes_away_is_not_missed(book: Path) -> None:
    """A job that was removed for good, an owner who was forgotten, a type that nobody has."""
    with JobBook.open(book) as opened:
        opened.remove_job(1)
        opened.empty_bin()
        opened.forget_owner(2)
        assert opened.verify() == ()
    assert count(book, "removed_row") > 5
    change(book, "DELETE FROM note WHERE id = 2")
    assert find(book, "missing-row") == ["row 2 of table note is missing"]


def fail_half_way(book: JobBook) -> None:
    """A note that the disk has no room for, after it was written."""
    with book._writing() as connection:
        insert_row(connection, tables.note, job_id=3, added_utc="", text="")
        raise OSError(28, "No space left on device")


def test_offers_in_vain_use_no_numbers_up(book: Path, tmp_path: Path) -> None:
    """The same file, the same type and the same parcel again; a save that failed half way."""
    (tmp_path / "paper.txt").write_text("paper")
    with JobBook.open(book) as opened:
        for _ in range(3):
            opened.attach_file(3, tmp_path / "paper.txt")
        opened.export_job(3, tmp_path / "job.zip")
        opened.import_parcel(tmp_path / "job.zip")
        with pytest.raises(JobBookError):
            fail_half_way(opened)
        opened.add_note(3, "after all that")
        assert opened.verify() == ()


def test_a_turned_bit_is_found_in_every_row_and_column(book: Path) -> None:
    """Each column of the last row of each table, one after the other."""
    n_tried = 0
    for name in TABLES:
        last = count(book, name)
        for column in tables.metadata.tables[name].c:
            with contextlib.closing(sqlite3.connect(book / "book.db")) as raw:
                found = raw.execute(
                    f"SELECT {column.name} FROM {name} WHERE id = ?", (last,)
                ).fetchone()
            if found is None or found[0] is None or column.name == "id":
                continue
            old = found[0]
            new = _turn(old)
            with contextlib.suppress(sqlite3.IntegrityError):
                change(book, f"UPDATE {name} SET {column.name} = ? WHERE id = ?", new, last)
                assert any(f"of table {name} " in one for one in find(book, "damaged-row")), (
                    name, column.name,
                )  # fmt: skip
                n_tried += 1
            change(book, f"UPDATE {name} SET {column.name} = ? WHERE id = ?", old, last)
    assert find(book, "damaged-row") == []
    assert n_tried > 60


def _turn(value: object) -> object:
    if isinstance(value, int):
        return value ^ 1
    if isinstance(value, float):
        return value + 1e-9
    text = str(value)
    return text[:-1] + chr(ord(text[-1]) ^ 1) if text else "\x01"


@pytest.mark.parametrize("layout", ["0", "1", "0000", "x", "", "0004b"])
def test_a_layout_that_nobody_wrote(book: Path, layout: str) -> None:
    change(book, "UPDATE alembic_version SET version_num = ?", layout)
    before = (book / "book.db").read_bytes()
    with pytest.raises(JobBookError, match=r"layout|newer version"):
        JobBook.open(book)
    assert (book / "book.db").read_bytes() == before


def run(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["voicecheck", *map(str, words)])
    with pytest.raises(SystemExit) as stop:
        main()
    return int(str(stop.value.code or 0))


def test_exit_status_says_whether_it_is_whole(
    book: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "book", "verify", "--book", book) == 0
    change(book, "DELETE FROM event WHERE id IN (2, 3)")
    for more in ([], ["--json"]):
        capsys.readouterr()
        assert run(monkeypatch, "book", "verify", "--book", book, *more) == 5
        assert "rows 2 to 3 of table event are missing" in capsys.readouterr().out


@pytest.mark.parametrize(("table", "words"), [("set_type", "job show 3"), ("set_type", "job list"),
                                              ("measurement", "job show 3"),
                                              ("measurement", "compare 3")])  # fmt: skip
def test_a_row_that_others_need_is_named(
    book: Path, table: str, words: str, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    change(book, f"DELETE FROM {table}")
    assert run(monkeypatch, *words.split(), "--book", book) == 5
    (line,) = capsys.readouterr().err.splitlines()
    assert f"of table {table} is missing" in line


def test_salvage_names_what_it_could_not_bring_back(book: Path, tmp_path: Path) -> None:
    change(book, "DELETE FROM note WHERE id = 2")
    change(book, "DELETE FROM event WHERE id = 4")
    told = [(one.message, one.effect) for one in salvage_book(book, tmp_path / "new")]
    assert ("row 2 of table note is missing", "lost") in told
    assert ("row 4 of table event is missing", "lost") in told
    with JobBook.open(tmp_path / "new") as saved:
        assert saved.verify() == ()
        saved.add_note(3, "goes on")
        assert saved.verify() == ()


def test_a_backup_misses_what_the_book_misses(book: Path, tmp_path: Path) -> None:
    change(book, "DELETE FROM note WHERE id = 2")
    with JobBook.open(book) as opened:
        opened.backup(tmp_path / "copy")
    assert find(tmp_path / "copy", "missing-row") == ["row 2 of table note is missing"]
