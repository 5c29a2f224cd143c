"""A sweep that is stopped in the middle of a take falls silent at once and keeps its seats."""

from __future__ import annotations

import os
import select
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers import find_sound_processes
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.soundcard import SoundCardBench
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, SetType
from voicecheck.workflow.benches.locks import list_busy
from voicecheck.workflow.sweeping.run import sweep

pytestmark = pytest.mark.bench

SHORT = Recipe(n_sweeps=1, sweep_s=2.0, tones_s=0.3, step_s=0.1)
LONG = Recipe(n_sweeps=20, sweep_s=2.0, tones_s=0.3, step_s=0.1)


class Stopper:
    """A progress function that stops its take as soon as that is under way."""

    def __init__(self, seat: int) -> None:
        self.due, self.seat = seat, 0
        self.child_ends = -1
        self.stopped_s = 0.0
        self.n_calls_after = 0

    def before_seat(self, seat: int, _n_seats: int) -> None:
        self.seat = seat

    def follow(self, fraction: float, _level_dbfs: float) -> None:
        if self.stopped_s:
            self.n_calls_after += 1
        elif self.seat == self.due and fraction > 0.0:
            (child,) = find_sound_processes(os.getpid())
            self.child_ends = os.pidfd_open(child)
            self.stopped_s = time.monotonic()
            raise KeyboardInterrupt

    def check(self) -> None:
        """The sound process is gone by now, and nobody asked further."""
        assert select.select([self.child_ends], [], [], 0.0)[0], "the sound process plays on"
        os.close(self.child_ends)
        assert find_sound_processes(os.getpid()) == []
        assert self.n_calls_after == 0
        assert list_busy() == ()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4"))
        opened.open_job("hall", "Lakeside 4")
        yield opened


def test_a_stop_in_the_second_take_keeps_the_first(shared_card: VirtualCard, book: Any) -> None:
    stopper = Stopper(seat=2)
    result = sweep(
        book, 1, stage="before", path="transmit",
        bench=SoundCardBench(shared_card.device, progress=stopper.follow),
        programme=make_programme(SHORT), n_seats=3, before_seat=stopper.before_seat,
    )  # fmt: skip
    stopper.check()
    assert result.was_stopped
    assert stopper.seat == 2
    (run,) = book.list_runs(job=1)
    (kept,) = run.recordings
    assert (kept.conditions.seat, kept.bands.at_1khz_db is not None) == (1, True)
    assert kept.recording == result.run.recordings[0].recording


def test_a_stop_does_not_wait_for_the_take(shared_card: VirtualCard, book: Any) -> None:
    """
    At real speed more than 40 s of sound are left; the child is asked to leave and leaves.

    How long that takes is the machine's, so it is held against the sound that was left.
    """
    shared_card.change(speed=1)
    stopper = Stopper(seat=1)
    programme = make_programme(LONG)
    assert programme.duration_s > 40.0
    with pytest.raises(KeyboardInterrupt):
        sweep(
            book, 1, stage="before", path="transmit",
            bench=SoundCardBench(shared_card.device, progress=stopper.follow),
            programme=programme, n_seats=1, before_seat=stopper.before_seat,
        )  # fmt: skip
    assert time.monotonic() - stopper.stopped_s < 0.5 * programme.duration_s
    stopper.check()
    assert book.list_runs(job=1) == ()
