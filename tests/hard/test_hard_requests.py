"""Hundreds of raw requests that nobody should send: no fault, no hang, nothing held or written."""

from __future__ import annotations

import logging
from pathlib import Path
from random import Random

import pytest
import raw_page
from pagetest import Place, fill_book, serve_here
from raw_requests import WELL, Maker, Raw

from voicecheck.web import connections

N_REQUESTS = 320
N_KINDS = 16
MORE_KB, MORE_FILES = 48 << 10, 2
"""What a heap may keep after three hundred answers (judgement); a socket kept open is counted."""


@pytest.fixture(autouse=True)
def deadlines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put back what the run shortens."""
    for name in ("HEADER_S", "BODY_S"):
        monkeypatch.setattr(connections, name, getattr(connections, name))


@pytest.mark.timeout(300)
def test_no_raw_request_makes_a_fault_or_stays(tmp_path: Path) -> None:
    figures = raw_page.run_many(tmp_path / "book", N_REQUESTS, seed=19)
    assert figures.wrong == []
    assert sum(figures.kinds.values()) == N_REQUESTS
    assert len(figures.kinds) == N_KINDS
    # A page that turned everybody away, or let everybody in, would hide what is looked for.
    assert figures.statuses["200"] > N_REQUESTS / 4
    assert figures.statuses["403"] > N_REQUESTS / 8
    assert figures.statuses["400"] > N_REQUESTS / 8
    (warm_kb, warm_files), (late_kb, late_files) = figures.held
    assert late_kb - warm_kb < MORE_KB
    assert late_files - warm_files <= MORE_FILES


def test_what_is_looked_for_would_be_found(tmp_path: Path) -> None:
    """A wrong status, a missing answer, a note written where none may be, a fault in the log."""
    with serve_here(fill_book(tmp_path / "book")) as (address, _):
        place, figures = Place(address), raw_page.Figures()
        maker = Maker(place, Random(1))
        for raw in (
            Raw("refused", maker.get("Connection: close", path="/nowhere"), WELL, 1),
            Raw("lost", maker.get("Connection: close", path="/"), WELL, 2),
        ):
            raw_page.judge(figures, place, raw, "made")
        assert [line.split(":")[0] for line in figures.wrong] == ["made, refused", "made, lost"]
    with raw_page.hearing_complaints() as found:
        logging.getLogger("asyncio").error("a task was lost")
    assert found == ["a task was lost"]


def test_the_same_seed_sends_the_same(tmp_path: Path) -> None:
    with serve_here(fill_book(tmp_path / "book")) as (address, _):
        place = Place(address)
        for number in range(N_KINDS):
            one, other = (Maker(place, Random(f"1 {number}")).make(number) for _ in range(2))
            assert one == other
