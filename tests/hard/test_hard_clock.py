"""A clock that is set back: what is saved later is later, and no backup is let go for it."""

from __future__ import annotations

import datetime
import types
from pathlib import Path

import pytest
from audio_files import run_main

from voicecheck.jobbook import JobBook
from voicecheck.jobbook.backups import list_days, restore_day
from voicecheck.records import times


class Clock:
    """Stands for the clock of the machine; `say` is what it shows."""

    def __init__(self) -> None:
        self.say = ""

    def now(self, zone: datetime.tzinfo) -> datetime.datetime:
        return datetime.datetime.fromisoformat(self.say).astimezone(zone)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    inside = types.SimpleNamespace(now=clock.now, fromisoformat=datetime.datetime.fromisoformat)
    stand_in = types.SimpleNamespace(datetime=inside, UTC=datetime.UTC)
    monkeypatch.setattr(times, "datetime", stand_in)
    return clock


def call(book: Path, *words: str) -> str:
    code, out, said = run_main(*words, "--book", str(book))
    assert code == 0, said
    return out


def test_what_is_saved_later_is_later(clock: Clock, tmp_path: Path) -> None:
    book = tmp_path / "book"
    clock.say = "2031-05-04T10:00:00+00:00"
    call(book, "type", "add", "Lakeside 4", "--transmitter", "carbon")
    call(book, "job", "open", "hall", "--type", "Lakeside 4")
    call(book, "job", "note", "1", "one")
    sweep = ("sweep", "1", "--path", "loop", "--simulated", "carbon", "--seats", "1", "--seed")
    call(book, *sweep, "1")
    clock.say = "2030-01-01T10:00:00+00:00"
    call(book, "job", "note", "1", "two")
    call(book, *sweep, "2")
    call(book, "job", "done", "1")
    call(book, "job", "open", "desk", "--type", "Lakeside 4")
    with JobBook.open(book) as opened:
        assert opened.load_job(1).notes == ("one", "two")
        assert [job.label for job in opened.list_jobs()] == ["desk", "hall"]
        days = [str(run.taken_utc)[:10] for run in opened.list_runs(job=1)]
        assert days == ["2031-05-04", "2030-01-01"]
        kinds = [event.kind for event in opened.list_events(1)]
        assert kinds[:5] == ["opened", "note", "run", "note", "run"]
        assert opened.verify() == ()
    told = call(book, "job", "timeline", "1")
    assert told.index("one") < told.index("two")


def test_no_backup_is_let_go_or_overwritten(clock: Clock, tmp_path: Path) -> None:
    """Eight days, then a clock that is months behind for eight more."""
    book, days = tmp_path / "book", [f"2031-05-{day:02}" for day in range(4, 12)]
    later = [f"2030-12-{day}" for day in range(11, 19)]
    clock.say = "2031-05-04T10:00:00+00:00"
    call(book, "type", "add", "Lakeside 4", "--transmitter", "carbon")
    backups = tmp_path / "book-backups"
    for number, day in enumerate([*days, *later], start=1):
        clock.say = f"{day}T10:00:00+00:00"
        call(book, "job", "open", f"set {number}", "--type", "Lakeside 4")
        call(book, "book", "backup")
        assert day in list_days(backups), "today's is there, whatever the others say"
    assert list_days(backups) == [*later[1:], *days[1:]]
    clock.say = f"{days[-1]}T12:00:00+00:00"
    call(book, "job", "open", "after all", "--type", "Lakeside 4")
    call(book, "book", "backup")
    for number, day in enumerate([*days, *later], start=1):
        if day in list_days(backups):
            assert restore_day(backups, day, tmp_path / day) == ()
            with JobBook.open(tmp_path / day) as restored:
                assert restored.count_jobs() == number
                assert restored.verify() == ()
    assert len(list_days(backups)) == 14
