# mypy: disable-error-code="no-untyped-call"
"""A job's set on a line by name, as its page tells it."""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from pagetest import HOSTILE, fill_book, open_browser, open_client, serve_here, watch_console

from voicecheck.checkout.bell import RINGING_CAUTION
from voicecheck.checkout.fit.judging import say_memory
from voicecheck.checkout.kinds import LINE_CAUTION
from voicecheck.records.lines import LineProfile
from voicecheck.web.remedies import link_commands
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checks.run import run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.fits import add_line, fit_line

HALL, ATTIC = "hall exchange", "attic box"
BREAKS_MS = {HALL: (40.0, 90.0), ATTIC: (40.0, 50.0)}


def make_line(name: str, break_ms: tuple[float, float]) -> LineProfile:
    """A line that takes every make of a good dial."""
    return LineProfile(
        name=name,
        break_low_ms=break_ms[0],
        break_high_ms=break_ms[1],
        make_low_ms=25.0,
        make_high_ms=60.0,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A job with a dial check, and two lines of which one takes that dial."""
    folder = fill_book(tmp_path / "book")
    with open_book(folder) as book:
        run_check("dial", Source(simulated="healthy:000"), book=book, job=1)
        for name, break_ms in BREAKS_MS.items():
            add_line(book, make_line(name, break_ms))
    return folder


@pytest.fixture
def client(folder: Path) -> Iterator[Any]:
    with open_client(folder) as client:
        yield client


def read_words(sentence: str) -> str:
    """A sentence as the page shows it: links in place of commands, tags taken out."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", link_commands(sentence))).split())


def read_fit(client: Any, name: str) -> str:
    """The panel's text, its tags taken out."""
    answer = client.get("/jobs/1", params={"mark": "line", "line": name})
    assert answer.status_code == 200
    part = answer.text.partition('<section id="fit"')[2].partition("</section>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", part)).split())


def test_a_line_is_chosen_and_every_finding_is_told(client: Any, folder: Path) -> None:
    page = client.get("/jobs/1", params={"mark": "line"}).text
    assert f'value="{HALL}"' in page
    assert 'value="exchange, Sweden"' in page
    with open_book(folder) as book:
        fits = {name: fit_line(book, 1, name) for name in BREAKS_MS}
    assert [fit.findings[0].verdict for fit in fits.values()] == ["within", "outside"]
    for name, fit in fits.items():
        told = read_fit(client, name)
        assert f"{fit.overall} as found, on {name} ; SIMULATED" in told
        assert LINE_CAUTION in told
        assert RINGING_CAUTION in told
        assert "Type in readings of a meter" in told
        for one in fit.findings:
            assert f"{one.verdict} {one.part.capitalize()} : {read_words(one.sentence)}" in told
            assert f"Do: {read_words(one.advice)}" in told or not one.advice
        assert "`" not in told, "a command is a link here"
        assert "voicecheck" not in told
        assert " --" not in told
    assert any(one.advice for one in fits[ATTIC].findings)


def test_an_unknown_line_says_so_and_no_other_mark_has_the_panel(client: Any) -> None:
    told = read_fit(client, "no such line")
    assert "'no such line': not known; the choice of lines shows all" in told
    assert "voicecheck" not in told
    assert 'id="fit"' not in client.get("/jobs/1", params={"mark": "dials", "line": HALL}).text


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_text(client: Any, folder: Path, name: str) -> None:
    kept = name[:60].strip()
    with open_book(folder) as book:
        add_line(book, LineProfile(name=kept))
    for asked in (name, kept):
        answer = client.get("/jobs/1", params={"mark": "line", "line": asked})
        assert answer.status_code == 200
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
    assert "on <bdi>" in answer.text


def test_what_a_line_is_told_by_stays_whole_on_a_narrow_screen(folder: Path) -> None:
    with open_book(folder) as book:
        add_line(book, make_line("x" * 80, BREAKS_MS[ATTIC]))
    with (
        serve_here(folder) as (address, _),
        open_browser(viewport={"width": 390, "height": 800}) as context,
    ):
        page = context.new_page()
        page.goto(address)
        told = watch_console(page)
        page.goto(address.partition("/enter")[0] + "/jobs/1?mark=line")
        page.select_option("#fit select", "x" * 80)
        page.click("#fit-go")
        page.wait_for_selector("#fit-told .rows li")
        assert "outside" in page.inner_text("#fit-told")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert told == []


def test_a_limit_of_our_own_is_not_called_one_from_memory() -> None:
    assert say_memory("1 % of calls: ours (PROP)") == " (our own limit)"
    assert say_memory("least current (from memory)") == " (the limit is from memory)"
    assert say_memory("S30 (TRADE)") == ""
