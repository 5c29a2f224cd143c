"""What a shop's book says as a whole, counted by hand beside it."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from jobbook_samples import draw_comparison, draw_run, make_type
from pagetest import open_client
from services import need_module
from telling import call

from voicecheck.jobbook import JobBook
from voicecheck.records import DialCheck, Finding, Hint
from voicecheck.records.benches import BenchCheck, CheckItem
from voicecheck.workflow.tallies import (
    count_dials,
    interval_of_share,
    judge_bench,
    tally,
)
from voicecheck.workflow.wording import tell_tallies


@pytest.mark.parametrize(
    ("n_right", "n", "low", "high"),
    [(0, 10, 0.0, 0.2775), (5, 10, 0.2366, 0.7634), (10, 10, 0.7225, 1.0)],
)
def test_share_has_wilsons_interval(n_right: int, n: int, low: float, high: float) -> None:
    """Figures of statsmodels 0.14, proportion_confint(method="wilson")."""
    assert interval_of_share(n_right, n) == pytest.approx((low, high), abs=5e-5)
    counted = need_module("statsmodels.stats.proportion")
    assert interval_of_share(n_right, n) == pytest.approx(
        counted.proportion_confint(n_right, n, method="wilson"), abs=1e-6
    )


def make_dial(speed: float | None, *verdicts: str) -> DialCheck:
    findings = tuple(
        Finding(
            path="", quantity="pulses_per_s", value=speed, unit="/s", uncertainty=None, low=9.0,
            high=11.0, verdict=verdict,  # type: ignore[arg-type]
        )
        for verdict in verdicts
    )  # fmt: skip
    return DialCheck(
        number="1", pulses_per_s=speed, break_percent=60.0, digits=(), findings=findings
    )


def test_dials_count_by_their_gravest_verdict() -> None:
    dials = [
        make_dial(8.0, "within", "outside"), make_dial(10.0, "within"), make_dial(10.2, "within"),
        make_dial(None), make_dial(9.0, "doubtful", "within"),
    ]  # fmt: skip
    found = count_dials(dials)
    assert dict(found.verdicts) == {
        "within": 2, "outside": 1, "doubtful": 1, "not comparable": 1
    }  # fmt: skip
    assert found.middle_pps == 9.5
    assert (found.n, count_dials([]).middle_pps) == (5, None)
    assert found.low_pps == pytest.approx(8.3)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Five jobs in two months; three causes said, two of them first in the list made before."""
    where = tmp_path / "book"
    day = {"now": ""}
    monkeypatch.setattr("voicecheck.jobbook.jobs.utc_now", lambda: day["now"])
    with JobBook.open(where) as book:
        book.add_type(make_type())
        for number in range(1, 6):
            day["now"] = f"2031-0{1 + (number > 3)}-1{number}T10:00:00.000+00:00"
            book.open_job(f"set {number}", "Lakeside 4")
        for number, codes in ((1, ("F01", "F02")), (2, ("F02", "F01")), (3, ("F01",))):
            hints = tuple(
                Hint(code=code, cause=code, confidence="high", separate_by="") for code in codes
            )
            made = draw_comparison(number, stage="before")
            book.save_comparison(dataclasses.replace(made, hints=hints))
        for number, code in ((1, "F01"), (2, "F01"), (3, "F09"), (4, "other")):
            book.keep_cause(number, code, f"cause {code}")
        book.keep_cause(3, "F01", "cause F01")
        book.close_job(1)
        book.open_job("a mistake", "Lakeside 4")
        book.keep_cause(6, "F01", "cause F01")
        book.remove_job(6)
    return where


def test_months_faults_and_first_causes_are_those_of_the_book(folder: Path) -> None:
    with JobBook.open(folder) as book:
        found = tally(book)
    assert [(one.month, one.opened, one.closed) for one in found.months] == [
        ("2031-01", 3, 0), ("2031-02", 2, 1)
    ]  # fmt: skip
    assert [(one.code, one.n) for one in found.faults] == [("F01", 3), ("other", 1)]
    first = found.first_cause
    assert (first.n, first.n_right, first.n_listed) == (3, 2, 3)
    assert not found.simulated
    told = dict(tell_tallies(found))
    assert told["What was wrong, by type (as kept with “That was it”)"][0] == (
        "Lakeside 4: cause F01: 3"
    )
    assert told["Dials as found"] == ["nothing is known yet"]


def test_bench_that_moved_is_told() -> None:
    item = CheckItem(quantity="mouth", value=0.1, stored=0.0, limit=0.5, unit="dB", verdict="pass")
    moved = dataclasses.replace(item, verdict="moved")
    checks = tuple(
        BenchCheck(bench="attic", time_utc=f"2031-05-0{day}T08:00:00Z", items=(one,))
        for day, one in enumerate((item, moved, item), 1)
    )
    setup = type("Setup", (), {"name": "attic"})()
    file: Any = type("File", (), {"setup": setup, "checks": checks})()
    held = judge_bench(file)
    assert (held.n_checks, held.n_passed, held.moved) == (3, 2, (("mouth", 1),))


def test_simulated_is_shouted_on_page_and_command_line(folder: Path) -> None:
    need_module("starlette")
    assert "SIMULATED" not in call("statistics", book=folder)
    with JobBook.open(folder) as book:
        run = draw_run(1, job=1)
        conditions = dataclasses.replace(run.pooled.conditions, bench="simulated")
        book.save_run(dataclasses.replace(run, pooled=run.pooled.replace(conditions=conditions)))
    assert "SIMULATED" in call("statistics", book=folder)
    with open_client(folder) as client:
        page = client.get("/statistics").text
    assert "SIMULATED" in page
    assert "2031-02: 2 came in, 1 went home" in page
