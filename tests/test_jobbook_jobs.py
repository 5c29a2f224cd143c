"""Set types and jobs in the book: what is put in comes back, what is unknown is told kindly."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jobbook_changes import check_changes
from jobbook_samples import make_type

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import NormalValue


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as book:
        book.add_type(make_type())
        yield book


def test_set_type_comes_back_whole(book: Any) -> None:
    normal = NormalValue(quantity="loop current", unit="mA", low=20.0, source="bench card")
    made = dataclasses.replace(
        make_type("Hügel 2"), wiring="R to L1", normal_values=(normal,), transmitter="electret"
    )
    book.add_type(made)
    assert book.load_type("Hügel 2") == made
    assert [one.name for one in book.list_types()] == ["Hügel 2", "Lakeside 4"]


def test_same_set_type_twice_is_one_and_another_is_refused(book: Any) -> None:
    book.add_type(make_type())
    assert len(book.list_types()) == 1
    changed = dataclasses.replace(make_type(), feed_ma=60.0)
    with pytest.raises(InputError, match="already in the book with other values"):
        book.add_type(changed)
    book.edit_type(changed)
    assert book.load_type("Lakeside 4") == changed


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"transmitter": "cardboard"}, "carbon, electret, moving-coil"),
        ({"feed_ma": 0.0}, "feed_ma"),
        ({"feed_ma": float("nan")}, "feed_ma"),
        ({"name": "  "}, "empty"),
        ({"notes": "a\0b"}, "zero character"),
        ({"wiring": "\ud800"}, "not Unicode"),
    ],
)
def test_set_type_out_of_range_is_refused(book: Any, fields: Any, told: str) -> None:
    with pytest.raises(InputError, match=told):
        book.add_type(dataclasses.replace(make_type("Other"), **fields))
    assert len(book.list_types()) == 1


def test_unknown_names_give_the_nearest_and_the_next_step(book: Any) -> None:
    with pytest.raises(InputError, match=r"near it: 'Lakeside 4'.*voicecheck type add"):
        book.load_type("lakside 4")
    with pytest.raises(InputError, match=r"known types: 'Lakeside 4'"):
        book.open_job("x", "Zzz")
    with pytest.raises(InputError, match="has no jobs yet"):
        book.load_job(1)
    book.open_job("x", "Lakeside 4")
    with pytest.raises(InputError, match=r"job 9: .*jobs up to 1"):
        book.add_note(9, "hm")
    with pytest.raises(InputError, match="not in the book"):
        book.load_job(10**12)


def test_job_lives_through_edit_close_and_reopen(book: Any) -> None:
    book.add_type(make_type("Hillview 2"))
    job = book.open_job("hall", "Lakeside 4", owner="A. Invented", complaint="nobody hears me")
    assert (job.job, job.closed_utc, job.complaint) == (1, None, "nobody hears me")
    changed = book.edit_job(1, label="hall set", type_name="Hillview 2")
    assert (changed.label, changed.type_name, changed.owner) == (
        "hall set",
        "Hillview 2",
        "A. Invented",
    )
    assert book.close_job(1).closed_utc is not None
    assert book.close_job(1) == book.load_job(1)
    assert book.reopen_job(1).closed_utc is None
    assert book.add_note(1, "cleaned the contacts").notes == ("cleaned the contacts",)
    kinds = [event.kind for event in book.list_events(1)]
    assert kinds == ["opened", "edited", "closed", "reopened", "note"]
    assert book.load_job(1).label == "hall set"


def test_same_label_may_be_given_twice(book: Any) -> None:
    numbers = [book.open_job("wall set", "Lakeside 4").job for _ in range(2)]
    assert numbers == [1, 2]


def test_jobs_are_listed_newest_first_in_pages(book: Any) -> None:
    for number in range(7):
        book.open_job(f"set {number}", "Lakeside 4")
    listed = [job.job for job in book.list_jobs(limit=3)]
    assert listed == [7, 6, 5]
    assert [job.job for job in book.list_jobs(limit=3, offset=6)] == [1]
    assert book.count_jobs() == 7


def test_search_finds_every_word_anywhere_in_any_case(book: Any) -> None:
    book.open_job("Green wall set", "Lakeside 4", owner="Mrs Größe", complaint="it CRACKLES")
    book.open_job("desk set", "Lakeside 4", owner="100% Brass")
    book.add_note(2, "Bell clapper bent")
    for words, found in [
        ("crackles green", [1]),
        ("größe", [1]),
        ("GRÖSSE", [1]),
        ("clapper", [2]),
        ("lakeside", [2, 1]),
        ("100%", [2]),
        ("1_0", []),
        ("green brass", []),
        ("", [2, 1]),
    ]:
        assert [job.job for job in book.list_jobs(search=words)] == found, words
        assert book.count_jobs(search=words) == len(found)


def test_state_chooses_open_or_closed(book: Any) -> None:
    for _ in range(3):
        book.open_job("set", "Lakeside 4")
    book.close_job(2)
    assert [job.job for job in book.list_jobs(state="closed")] == [2]
    assert [job.job for job in book.list_jobs(state="open")] == [3, 1]
    assert book.count_jobs(state="open") == 2
    with pytest.raises(InputError, match="open, closed"):
        book.list_jobs(state="lost")


def test_attached_file_is_kept_by_content(book: Any, tmp_path: Path) -> None:
    photo = tmp_path / "photo of set.jpg"
    photo.write_bytes(bytes(range(256)) * 9000)
    book.open_job("set", "Lakeside 4")
    kept = book.attach_file(1, photo)
    assert book.attach_file(1, photo) == kept
    photo.unlink()
    assert book.load_job(1).attachments == (kept,)
    assert book.locate_attachment(kept.sha256).read_bytes() == bytes(range(256)) * 9000
    assert [event.kind for event in book.list_events(1)] == ["opened", "file"]
    with pytest.raises(InputError, match="no such file"):
        book.attach_file(1, tmp_path / "none.jpg")
    book.locate_attachment(kept.sha256).write_bytes(b"other")
    with pytest.raises(JobBookError, match=r"photo of set\.jpg"):
        book.locate_attachment(kept.sha256)


def test_clock_moved_back_does_not_reorder(book: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    times = iter([f"20{year}-01-01T00:00:00.000+00:00" for year in range(60, 30, -1)])
    monkeypatch.setattr("voicecheck.jobbook.core.utc_now", lambda: next(times))
    monkeypatch.setattr("voicecheck.jobbook.jobs.utc_now", lambda: next(times))
    book.open_job("first", "Lakeside 4")
    book.open_job("second", "Lakeside 4")
    book.add_note(1, "a")
    book.add_note(1, "b")
    assert [job.label for job in book.list_jobs()] == ["second", "first"]
    assert [event.text for event in book.list_events(1)] == ["first", "a", "b"]
    assert book.load_job(1).notes == ("a", "b")


def test_changes_are_seen_whoever_makes_them(tmp_path: Path) -> None:
    check_changes(tmp_path)
