"""What a check, a sweep, an analysis and a tick leave on a terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from telling import SHOUT, call

from voicecheck.records import CheckList, CheckStep, Problem
from voicecheck.report.sources import load_references, say_source
from voicecheck.words import load_words
from voicecheck.workflow.telltakes import tell_problems
from voicecheck.workflow.wording import say_source as say_marked

ENGLISH = load_words("en")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    folder = tmp_path / "book"
    call("type", "add", "X", "--transmitter", "carbon", "--region", "North America", book=folder)
    call("job", "open", "hall set", "--type", "X", book=folder)
    return folder


def test_a_slow_dial_is_outside_with_what_is_usual_and_what_is_next(book: Path) -> None:
    text = call("dial", 1, "--simulated", "bouncing:370", book=book)
    lines = text.splitlines()
    assert lines[0] == SHOUT
    assert lines[1].startswith("Outside: 370 dialled")
    assert "Bounce 6" in text
    assert "up to 3.0 is usual (from memory)" in text
    assert "Next: " in text
    assert "digit  pulses" not in text
    numbers = call("dial", 1, "--simulated", "bouncing:370", "--numbers", book=book)
    assert numbers.splitlines()[0] == SHOUT
    assert "digit  pulses" in numbers
    assert "quantity" in numbers
    assert "who says so" in numbers


def test_a_check_that_nothing_judges_has_no_verdict(book: Path) -> None:
    text = call("speak", 1, "--simulated", "healthy", book=book)
    assert text.splitlines()[1].startswith("Active speech level")
    assert "ithin" not in text


def test_a_sweep_says_what_is_kept_and_what_comes_next(book: Path) -> None:
    text = call("sweep", 1, "--path", "loop", "--simulated", "carbon", "--seats", 1, book=book)
    assert text.splitlines()[0] == SHOUT
    assert "Kept: loop, as found, 1 seat of the handset." in text
    assert "Next: " in text
    assert "SINAD" not in text


def test_after_a_tick_what_is_left_and_what_is_next_and_no_list(book: Path) -> None:
    every = call("check", 1, book=book)
    ticked = call("check", 1, "--done", 1, "--skip", "2=owner away", book=book)
    n_open = len(json.loads(call("check", 1, "--json", book=book))["open"])
    assert len(every.splitlines()) > 30
    assert len(ticked.splitlines()) < 12
    assert f"{n_open} steps left" in ticked
    assert ticked.startswith("[x] 1 ")
    assert "[-] 2 " in ticked
    assert "Next: " in ticked
    assert max(map(len, every.splitlines())) <= 80


def test_alike_problems_are_told_once_with_their_count() -> None:
    found = [
        Problem(kind="burst", at_s=float(at), message=f"a burst at {at} s", effect="set aside")
        for at in range(5)
    ]
    other = Problem(kind="mains", message="hum", effect="it is taken out")
    said = tell_problems([*found, other], ENGLISH)
    assert said == ("5 times, as: at 0.00 s: a burst at 0 s; set aside.", "Hum; it is taken out.")


def test_sources_are_told_in_words() -> None:
    assert say_source("PROP (PROP)", ENGLISH) == "rule of thumb, no standard"
    coded = {code: one for code, one in load_references().items() if code.startswith("S")}
    assert len(coded) > 50
    for code, reference in coded.items():
        told = say_source(f"{code} (PUB-2ND)", ENGLISH)
        assert told == f"{reference} (as quoted by others)"
    assert say_marked("MEM") == "from memory, not yet checked in print †"
    assert say_source("ITU-T Q.23", ENGLISH) == "ITU-T Q.23"


def test_a_list_without_an_open_step_says_so() -> None:
    from voicecheck.cli.checkout_show import render_ticked
    from voicecheck.records.standing import NextStep

    step = CheckStep(step=1, phase="a", task="Look", state="done")
    checked = CheckList(job=3, variant="desk", steps=(step,), final="ready")
    following = NextStep(
        key="close", sentence="Close it.", command="voicecheck job close 3", target=""
    )
    assert render_ticked(checked, [1], following).splitlines() == [
        "[x] 1 Look: done",
        "No step is open; the set is ready.",
        "Next: Close it. voicecheck job close 3",
        "All steps: voicecheck check 3",
    ]


@pytest.mark.parametrize(("verdict", "following"), [
    ("pass", "Next: voicecheck sweep JOB --path transmit --bench 'old attic'"),
    ("moved", "Next: voicecheck bench check 'old attic'"),
])  # fmt: skip
def test_a_bench_check_has_named_columns_and_says_what_is_next(
    verdict: str, following: str
) -> None:
    from voicecheck.cli.benchshow import render_check
    from voicecheck.records import BenchCheck, CheckItem

    item = CheckItem(
        quantity="loop-back", value=0.31, unit="dB", stored=0.01, limit=0.2, verdict=verdict,
        message="a gain has moved",
    )  # fmt: skip
    check = BenchCheck(bench="old attic", time_utc="2031-04-02T12:00:00+00:00", items=(item,))
    lines = render_check(check).splitlines()
    assert lines[1].split() == ["verdict", "what", "now", "unit", "stored", "limit"]
    assert lines[-1] == following
    assert check.is_passed == (verdict == "pass")


def test_a_report_says_which_file_to_open_and_what_is_next(book: Path, tmp_path: Path) -> None:
    call("dial", 1, "--simulated", "healthy:370", book=book)
    # A loop of the bench is no path of the set: there is nothing to draw of it.
    call("sweep", 1, "--path", "loop", "--simulated", "carbon", "--seats", 1, book=book)
    said = call("report", 1, "--out", tmp_path / "out", book=book, is_all=True)
    assert len(said.splitlines()) < 6
    assert f"open {tmp_path / 'out' / 'report.html'}" in said
    assert "Next: " in said
    assert (tmp_path / "out" / "report.html").is_file()
