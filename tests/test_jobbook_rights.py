"""A book is its user's alone: folders 0700, files 0600; one made before is mended, said once."""

from __future__ import annotations

import logging
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from ordinary_user import NOBODY, run_as_nobody, run_program_as_nobody
from test_jobbook_copies import fill

from voicecheck.jobbook import JobBook, salvage_book


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that every user may enter, with the most careless setting for what is made in it."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    before = os.umask(0)
    yield place
    os.umask(before)
    shutil.rmtree(place)


def list_open(folder: Path) -> list[str]:
    """What others or the group may do anything with."""
    every = [folder, *folder.rglob("*")]
    return [str(path) for path in every if stat.S_IMODE(path.stat().st_mode) & 0o077]


def open_up(folder: Path) -> None:
    """Make a book as earlier versions made it."""
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o644)


def read_all_as_nobody(folder: Path) -> tuple[int, str]:
    done = run_as_nobody(["sh", "-c", 'find "$1" -type f -exec cat {} +', "sh", folder])
    return done.returncode, done.stdout + done.stderr


def test_made_for_its_user_alone(open_place: Path) -> None:
    """Also while it is open: SQLite's log lies beside it then."""
    with JobBook.open(open_place / "book") as book:
        fill(book, open_place)
        assert (open_place / "book/book.db-wal").is_file()
        assert list_open(open_place / "book") == []
        book.backup(open_place / "copy")
    assert list_open(open_place / "copy") == []
    salvage_book(open_place / "copy", open_place / "saved")
    assert list_open(open_place / "saved") == []
    assert any((open_place / "saved/recordings").rglob("*.flac"))


def test_another_user_reads_nothing(open_place: Path) -> None:
    with JobBook.open(open_place / "book") as book:
        fill(book, open_place)
    code, said = read_all_as_nobody(open_place / "book")
    assert code != 0
    assert "Permission denied" in said


def test_an_earlier_book_is_mended_and_that_is_said_once(
    open_place: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with JobBook.open(open_place / "book") as book:
        fill(book, open_place)
    open_up(open_place / "book")
    (open_place / "book/letter.txt").write_text("not the program's")
    (open_place / "book/letter.txt").chmod(0o644)
    if os.getuid() == 0:
        assert read_all_as_nobody(open_place / "book")[0] == 0, "the reader reads what is open"
    with caplog.at_level(logging.WARNING), JobBook.open(open_place / "book") as book:
        assert len(caplog.records) == 1
        assert "could read it" in caplog.text
        assert list_open(open_place / "book") == [str(open_place / "book/letter.txt")]
        assert book.verify() == ()
    caplog.clear()
    with caplog.at_level(logging.WARNING), JobBook.open(open_place / "book"):
        assert caplog.records == []


def test_an_earlier_backup_is_mended(open_place: Path) -> None:
    with JobBook.open(open_place / "book") as book:
        fill(book, open_place)
        book.backup(open_place / "copy")
        open_up(open_place / "copy")
        book.backup(open_place / "copy")
    assert list_open(open_place / "copy") == []


def test_a_link_inside_leads_nobody_astray(open_place: Path) -> None:
    """Rights of what lies elsewhere are not touched."""
    (outside := open_place / "outside").mkdir()
    (outside / "theirs").touch(0o644)
    with JobBook.open(open_place / "book") as book:
        fill(book, open_place)
    (open_place / "book/attachments/zz").symlink_to(outside)
    (open_place / "book").chmod(0o755)
    JobBook.open(open_place / "book").close()
    assert stat.S_IMODE(outside.stat().st_mode) == 0o777
    assert stat.S_IMODE((outside / "theirs").stat().st_mode) == 0o644


def test_folder_shared_by_benches_stays_with_its_group(open_place: Path) -> None:
    """Beside a database server: what its group may write into is meant for the group."""
    from voicecheck.jobbook.rights import close_to_others
    from voicecheck.jobbook.vault import Vault

    (folder := open_place / "shared").mkdir()
    folder.chmod(0o2775)
    assert close_to_others(folder, may_be_shared=True)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o2770
    sha256, _ = Vault(folder).store_attachment([b"paper"])
    kept = Vault(folder).locate_attachment(sha256)
    assert stat.S_IMODE(kept.stat().st_mode) == 0o660
    assert stat.S_IMODE(kept.parent.stat().st_mode) & 0o777 == 0o770


@pytest.mark.parametrize("what", ["another's book", "a folder not to write in"])
def test_what_belongs_to_another_is_one_line(open_place: Path, what: str) -> None:
    """As an ordinary user; exit code 5 and nothing changed."""
    folder = open_place / "book"
    if what == "another's book":
        with JobBook.open(folder) as book:
            fill(book, open_place)
        open_up(folder)
    else:
        folder.mkdir(0o755)
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    done = run_program_as_nobody("job", "list", "--book", folder, home=open_place)
    assert (done.returncode, done.stdout) == (5, ""), done.stderr
    assert "permission" in done.stderr or "cannot be opened for writing" in done.stderr
    assert len(done.stderr.splitlines()) <= 2, done.stderr
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_the_ordinary_user_works_in_a_folder_of_his_own(open_place: Path) -> None:
    (home := open_place / "home").mkdir(0o755)
    if os.getuid() == 0:
        os.chown(home, NOBODY, NOBODY)
    done = run_program_as_nobody("job", "list", "--book", home / "book", home=home)
    assert done.returncode == 0, done.stderr
    assert list_open(home / "book") == []
