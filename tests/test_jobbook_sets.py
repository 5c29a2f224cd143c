"""Sets have jobs; what is written of work and owners is kept, corrected, and stays at home."""

from __future__ import annotations

import dataclasses
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jobbook_samples import draw_recording, draw_run, make_type
from jobbook_sets import check_sets

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Recipe
from voicecheck.records.sets import SET_WORDS, Work

KNOWN_0004 = re.compile(
    r"parcel\.json|set_types/\d{3,6}\.json|baselines/\d{3,6}\.(json|csv)"
    r"|jobs/\d{3,6}/(job\.json|runs/\d{3,6}\.(json|csv)|comparisons/\d{3,6}\.json)"
    r"|recordings/[0-9a-f]{64}\.flac|attachments/[0-9a-f]{64}"
)
"""Names that the version with the fourth layout takes in a parcel; it refuses any other."""


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(make_type())
        yield opened


def test_set_that_comes_back_brings_its_jobs(book: Any) -> None:
    first = book.open_job("hall set", "Lakeside 4")
    other = book.open_job("desk set", "Lakeside 4")
    again = book.open_job("hall set, cord", "Lakeside 4", of_set=first.set)
    assert book.load_set(first.set).jobs == (first.job, again.job)
    assert book.load_set(other.set).jobs == (other.job,)
    assert [one.set for one in book.list_sets()] == [other.set, first.set]
    with pytest.raises(InputError, match="set 9: not in the book"):
        book.open_job("x", "Lakeside 4", of_set=9)
    assert book.count_jobs() == 3


@pytest.mark.parametrize("word", SET_WORDS)
def test_every_word_of_a_set_is_stored_found_and_sent(word: str, book: Any, tmp_path: Path) -> None:
    job = book.open_job("hall set", "Lakeside 4")
    book.edit_set(job.set, **{word: "Maroon 1951"})
    assert getattr(book.load_set(job.set), word) == "Maroon 1951"
    assert [one.set for one in book.list_sets(search="maroon hall")] == [job.set]
    assert book.list_sets(search="green") == ()
    parcel = book.export_job(job.job, tmp_path / "job.zip")
    with JobBook.open(tmp_path / "other") as other:
        other.import_parcel(parcel)
        assert getattr(other.load_set(1), word) == "Maroon 1951"


def test_set_with_one_job_is_called_as_the_job(book: Any) -> None:
    job = book.open_job("hal set", "Lakeside 4")
    book.edit_job(job.job, label="hall set")
    assert book.load_set(job.set).label == "hall set"
    assert [one.set for one in book.list_sets(search="hall")] == [job.set]
    book.open_job("second", "Lakeside 4", of_set=job.set)
    book.edit_job(job.job, label="other")
    assert book.load_set(job.set).label == "hall set"


def test_set_goes_with_the_last_of_its_jobs(book: Any) -> None:
    first = book.open_job("hall set", "Lakeside 4")
    second = book.open_job("hall set", "Lakeside 4", of_set=first.set)
    book.remove_job(first.job)
    assert book.load_set(first.set).jobs == (second.job,)
    book.empty_bin()
    assert book.load_set(first.set).jobs == (second.job,)
    book.remove_job(second.job)
    book.empty_bin()
    assert book.list_sets() == ()
    book.remove_type("Lakeside 4")
    assert book.verify() == ()


def test_jobs_of_one_set_stay_together_in_another_book(book: Any, tmp_path: Path) -> None:
    first = book.open_job("hall set", "Lakeside 4")
    book.open_job("hall set, cord", "Lakeside 4", of_set=first.set)
    book.open_job("another", "Lakeside 4")
    parcels = [book.export_job(number, tmp_path / f"{number}.zip") for number in (1, 2, 3)]
    with JobBook.open(tmp_path / "other") as other:
        for parcel in (*parcels, *parcels):
            other.import_parcel(parcel)
        assert [one.jobs for one in other.list_sets()] == [(3,), (1, 2)]
        assert other.verify() == ()


def test_work_is_kept_withdrawn_answered_and_sent(book: Any, tmp_path: Path) -> None:
    book.open_job("hall set", "Lakeside 4")
    part = book.add_work(
        1, Work(kind="part", what="condenser", old_value="leaky", new_value="1 uF")
    )
    book.add_work(1, Work(kind="time", what="cleaning", value=40.0))
    ohms = book.add_work(1, Work(kind="ohms", what="receiver", value=63.5))
    hazard = book.add_work(1, Work(kind="hazard", what="mains on the cord"))
    assert hazard.is_open_hazard
    assert not book.answer_hazard(1, hazard.number, "cord removed").is_open_hazard
    book.withdraw_work(1, ohms.number, "wrong winding")
    job = book.load_job(1)
    assert [one.withdrawn for one in job.work] == ["", "", "wrong winding", ""]
    assert job.work[0] == part
    assert [event.kind for event in book.list_events(1)][1:] == [
        *("part", "time", "ohms", "hazard", "hazard answered", "withdrawn")
    ]
    assert book.count_jobs(search="condenser leaky") == 1
    with JobBook.open(tmp_path / "other") as other:
        parcel = book.export_job(1, tmp_path / "job.zip")
        for _ in range(2):
            other.import_parcel(parcel)
        assert other.load_job(1).work == job.work


@pytest.mark.parametrize(
    ("work", "told"),
    [
        (Work(kind="ohms", what="receiver"), "needs a number"),
        (Work(kind="ohms", what="receiver", value=float("inf")), "need 0 to 1e"),
        (Work(kind="time", what="cleaning", value=-1.0), "need 0 to 1e"),
        (Work(kind="part", what="condenser", value=1.0), "needs no number"),
        (Work(kind="part", what=" "), "empty"),
        (Work(kind="magic", what="x"), "kind"),  # type: ignore[arg-type]
    ],
)
def test_work_that_is_not_complete_is_refused(work: Work, told: str, book: Any) -> None:
    book.open_job("hall set", "Lakeside 4")
    with pytest.raises(InputError, match=told):
        book.add_work(1, work)
    assert book.load_job(1).work == ()


def test_corrected_note_keeps_its_old_words_in_the_time_line(book: Any) -> None:
    book.open_job("hall set", "Lakeside 4")
    book.add_note(1, "bell silent")
    book.add_note(1, "cord worn")
    book.correct_note(1, 1, "bell faint")
    assert book.load_job(1).notes == ("bell faint", "cord worn")
    assert book.list_events(1)[-1].text == "was: bell silent\nnow: bell faint"
    assert book.count_jobs(search="faint") == 1
    assert book.count_jobs(search="silent") == 0
    with pytest.raises(InputError, match="job 1 has 2"):
        book.correct_note(1, 3, "x")


def fill_personal(book: Any, tmp_path: Path) -> None:
    """A job that speaks of its owner wherever it can."""
    contact = "a.invented@example.org, 0123 45678"
    said = {"owner": "Ada Invented", "contact": contact, "complaint": "Invented hears nobody"}
    book.open_job("hall set", "Lakeside 4", **said)
    stored = book.save_recording(draw_recording(1, 600), Recipe())
    book.save_run(draw_run(1, job=1))
    assert stored.sha256
    book.add_note(1, "rang Mrs Invented on 0123 45678; dial cleaned")
    book.add_note(1, "re-invented the hook")
    for name, content in (
        ("photo.jpg", b"facebytes"), ("speak-before.flac", b"speechbytes"),
        ("bell-before.flac", b"bell"), ("message.mp3", b"callbytes"), ("drawing.pdf", b"drawing"),
    ):  # fmt: skip
        (tmp_path / name).write_bytes(content)
        book.attach_file(1, tmp_path / name)


def test_parcel_has_no_owner_in_it_unless_asked_for(book: Any, tmp_path: Path) -> None:
    fill_personal(book, tmp_path)
    parcel = book.export_job(1, tmp_path / "job.zip")
    with zipfile.ZipFile(parcel) as archive:
        content = b"\n".join(archive.read(name) for name in archive.namelist())
        document = archive.read("jobs/001/job.json")
    # Digits may stand in a curve by chance.
    assert b"0123" not in document
    for word in (b"Ada Invented", b"Mrs Invented", b"a.invented", b"facebytes", b"speechbytes"):
        assert word.lower() not in content.lower(), word
    assert b"callbytes" not in content
    for word in (b"dial cleaned", b"re-invented the hook", b"drawing", b"bell"):
        assert word in content, word
    with zipfile.ZipFile(book.export_job(1, tmp_path / "all.zip", with_owner=True)) as archive:
        document = json.loads(archive.read("jobs/001/job.json"))
    assert (document["owner"], len(document["attachments"])) == ("Ada Invented", 5)
    # Taken back into the book that it came from it is the same job, and nothing is doubled.
    assert [one.outcome for one in book.import_parcel(parcel)] == ["same", "same"]


def test_parcel_can_be_read_by_the_version_before(book: Any, tmp_path: Path) -> None:
    """It refuses names that it does not know, and passes over keys."""
    fill_personal(book, tmp_path)
    book.add_work(1, Work(kind="time", what="cleaning", value=40.0))
    with zipfile.ZipFile(book.export_job(1, tmp_path / "job.zip")) as archive:
        names = archive.namelist()
        document = json.loads(archive.read("jobs/001/job.json"))
    assert [name for name in names if not KNOWN_0004.fullmatch(name)] == []
    old = {
        "mark": str, "label": str, "type_name": str, "opened_utc": str, "notes": list,
        "attachments": list, "events": list, "origins": list, "aside": list, "stage": str,
    }  # fmt: skip
    assert {name: type(document[name]) for name in old} == old


def test_whole_course_of_a_set(tmp_path: Path) -> None:
    check_sets(tmp_path / "book", tmp_path)


def test_set_of_another_type_keeps_the_type_in_the_book(book: Any) -> None:
    book.add_type(dataclasses.replace(make_type(), name="Hillview 2"))
    job = book.open_job("hall set", "Hillview 2")
    book.open_job("hall set", "Lakeside 4", of_set=job.set)
    book.edit_job(job.job, type_name="Lakeside 4")
    with pytest.raises(InputError, match=f"set {job.set} is of it"):
        book.remove_type("Hillview 2")
