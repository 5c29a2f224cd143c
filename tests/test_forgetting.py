"""An owner forgotten in book, files and backups; dated backups kept, thinned and restored."""

from __future__ import annotations

import io
import os
import stat
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jobbook_samples import draw_measurement, draw_recording, draw_run, make_type
from pagetest import open_client
from services import need_module
from telling import call

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.jobbook.backups import choose_kept, list_days, restore_day
from voicecheck.records import Recipe
from voicecheck.records.sets import Work
from voicecheck.workflow.books import backup_today

SECRETS = (b"Ada Inventedova", b"inventedova", b"0123 456789", b"ada@example.org",
           b"facebytes", b"speechbytes", b"Formerova")  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "book"


@pytest.fixture
def book(folder: Path, tmp_path: Path) -> Iterator[Any]:
    """A job that names its owner wherever that can be written, and one of somebody else."""
    with JobBook.open(folder) as opened:
        opened.add_type(make_type())
        contact = "0123 456789, ada@example.org"
        said: dict[str, Any] = {
            "owner": "Ada Inventedova",
            "contact": contact,
            "complaint": "Inventedova is faint",
        }
        opened.open_job("Ada Inventedova's hall set", "Lakeside 4", **said)
        opened.edit_set(1, marks="scratched: Inventedova")
        opened.open_job("desk set", "Lakeside 4", owner="B. Other")
        stored = opened.save_recording(draw_recording(1, 600), Recipe())
        for job in (1, 2):
            measured = (draw_measurement(7, stored.sha256),)
            opened.save_run(draw_run(job, job=job, recordings=measured))
        opened.add_note(1, "rang Mrs Inventedova on 0123 456789")
        opened.add_work(1, Work(kind="part", what="cord for Inventedova", new_value="brown"))
        opened.edit_job(1, owner="Zoe Formerova", complaint="Inventedova is faint, still")
        opened.add_note(1, "Formerova brought it")
        opened.edit_job(1, owner="Ada Inventedova")
        for name, content in (
            ("photo.jpg", b"facebytes" * 50), ("speak-before.flac", b"speechbytes" * 50),
            ("check-dial.json", b'{"told": "dialled by Inventedova"}'), ("plan.pdf", b"a plan"),
        ):  # fmt: skip
            (tmp_path / name).write_bytes(content)
            opened.attach_file(1, tmp_path / name)
            (tmp_path / name).unlink()
        yield opened


def find_secrets(*folders: Path) -> set[tuple[str, bytes]]:
    """What is found of an owner in the bytes of every file."""
    found = set()
    for folder in folders:
        for path in folder.rglob("*"):
            if path.is_file():
                content = path.read_bytes().lower()
                found |= {(path.name, one) for one in SECRETS if one.lower() in content}
    return found


def test_owner_is_forgotten_in_every_byte_of_book_and_backups(
    book: Any, folder: Path, tmp_path: Path
) -> None:
    book.backup_of_day("2031-05-04")
    book.add_note(1, "cleaned")
    book.backup_of_day("2031-05-05")
    book.backup(tmp_path / "stick")
    places = (folder, folder.with_name("book-backups"), tmp_path / "stick")
    assert all({one for _, one in find_secrets(place)} == set(SECRETS) for place in places)
    runs = [book.list_runs(job=job)[0] for job in (1, 2)]
    forgotten, n_copies = book.forget_everywhere(1, [tmp_path / "stick"])
    assert n_copies == 4  # The newest state, two days, and the stick.
    assert forgotten.problems == ()
    book.close()
    assert find_secrets(*places) == set()
    for place in (folder, folder.with_name("book-backups"), tmp_path / "stick"):
        with JobBook.open(place, create=False) as opened:
            job = opened.load_job(1)
            assert (job.owner, job.contact) == ("", "")
            assert job.forgotten_utc is not None
            assert [one.name for one in job.attachments] == ["check-dial.json", "plan.pdf"]
            for one, run in zip((1, 2), runs, strict=True):
                assert opened.list_runs(job=one)[0].same_as(run)
            assert opened.load_job(2).owner == "B. Other"
            assert opened.count_jobs(search="inventedova") == 0
            assert opened.verify() == ()


def test_files_that_another_job_has_too_stay(book: Any, folder: Path, tmp_path: Path) -> None:
    shared = tmp_path / "photo.jpg"
    shared.write_bytes(b"facebytes" * 50)
    book.attach_file(2, shared)
    book.forget_everywhere(1)
    assert [one.name for one in book.load_job(2).attachments] == ["photo.jpg"]
    assert book.verify() == ()


def test_owner_that_was_forgotten_does_not_come_back_with_a_parcel(
    book: Any, tmp_path: Path
) -> None:
    parcel = book.export_job(1, tmp_path / "job.zip", with_owner=True)
    book.forget_everywhere(1)
    book.import_parcel(parcel)
    assert all(job.owner != "Ada Inventedova" for job in book.list_jobs())
    names = {one.name for job in book.list_jobs() for one in job.attachments}
    assert not names & {"photo.jpg", "speak-before.flac"}


def test_folder_that_is_no_backup_stops_everything(book: Any, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nobody was forgotten"):
        book.forget_everywhere(1, [tmp_path / "none"])
    assert book.load_job(1).owner == "Ada Inventedova"


def test_week_and_months_are_kept() -> None:
    days = [f"2031-{month:02}-{day:02}" for month in (1, 2, 3) for day in range(1, 29)]
    kept = choose_kept(days, days[-1])
    assert kept == ["2031-01-28", "2031-02-28", *(f"2031-03-{day}" for day in range(22, 29))]


def test_backup_of_a_day_is_made_once_thinned_and_restored(
    book: Any, folder: Path, tmp_path: Path
) -> None:
    backups = folder.with_name("book-backups")
    for day in ("2031-03-30", "2031-03-31", *(f"2031-04-{day:02}" for day in range(1, 10))):
        book.add_note(2, f"noted on {day}")
        assert book.backup_of_day(day) == ()
    assert list_days(backups) == ["2031-03-31", *(f"2031-04-{day:02}" for day in range(3, 10))]
    book.add_note(2, "later that day")
    book.backup_of_day("2031-04-09")
    assert restore_day(backups, "2031-04-05", tmp_path / "restored") == ()
    with JobBook.open(tmp_path / "restored", create=False) as restored:
        assert restored.verify() == ()
        assert restored.load_job(2).notes[-1] == "noted on 2031-04-05"
        assert restored.list_runs(job=1)[0].same_as(book.list_runs(job=1)[0])
        photo = next(one for one in restored.load_job(1).attachments if one.name == "photo.jpg")
        assert restored.locate_attachment(photo.sha256).read_bytes() == b"facebytes" * 50
    with pytest.raises(InputError, match=r"it has: 2031-03-31, 2031-04-03"):
        restore_day(backups, "2031-01-01", tmp_path / "other")
    with pytest.raises(InputError, match="need a new folder"):
        restore_day(backups, "2031-04-05", tmp_path / "restored")
    with pytest.raises(InputError, match="need one as"):
        book.backup_of_day("../../x")
    if os.name == "posix":
        modes = {stat.S_IMODE(path.stat().st_mode) for path in backups.rglob("*.db")}
        assert modes == {0o600}


def test_day_of_use_leaves_a_backup_and_a_failure_stops_nothing(
    book: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VOICECHECK_BACKUPS", "off")
    assert backup_today(book) == ""
    assert not folder.with_name("book-backups").exists()
    monkeypatch.delenv("VOICECHECK_BACKUPS")
    call("job", "note", "2", "cleaned", book=folder)
    assert len(list_days(folder.with_name("book-backups"))) == 1
    (folder.with_name("book-backups") / "backup.json").write_text('{"book": "another"}')
    (folder.with_name("book-backups") / "dated").rename(folder / "gone")
    assert "the backup of the day was not made" in backup_today(book)


def test_parcel_of_the_page_has_an_owner_only_on_wish(book: Any, folder: Path) -> None:
    need_module("starlette")
    del book
    told = {}
    with open_client(folder) as client:
        for wish in ("", "?owner=1"):
            content = client.get(f"/jobs/1/job.zip{wish}").content
            with zipfile.ZipFile(io.BytesIO(content)) as archive:
                told[wish] = b"Inventedova" in archive.read("jobs/001/job.json")
    assert told == {"": False, "?owner=1": True}


def test_page_forgets_an_owner_when_it_is_said_twice(book: Any, folder: Path) -> None:
    need_module("starlette")
    book.backup_of_day("2031-05-04")
    with open_client(folder) as client:
        assert client.post("/jobs/1/forget", data={"sure": ""}).status_code == 400
        assert book.load_job(1).owner == "Ada Inventedova"
        client.post("/jobs/1/forget", data={"sure": "1"})
        page = client.get("/jobs/1").text
    assert "Inventedova" not in page
    assert find_secrets(folder.with_name("book-backups")) == set()


def test_commands_forget_and_restore(book: Any, folder: Path, tmp_path: Path) -> None:
    del book
    with pytest.raises(InputError, match="--yes"):
        call("job", "forget", "1", book=folder)
    call("book", "backup", book=folder)
    (day,) = list_days(folder.with_name("book-backups"))
    told = call("job", "forget", "1", "--yes", book=folder, is_all=True)
    assert "3 files gone or written anew, 2 backups cleaned" in told
    told = call("book", "restore", day, str(tmp_path / "restored"), book=folder)
    assert "is whole" in told
    with JobBook.open(tmp_path / "restored") as restored:
        assert restored.load_job(1).owner == ""
