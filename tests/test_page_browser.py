"""The bench page in a real browser: a whole job, two pages, a page that is closed, a busy bench."""

import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from helpers import find_sound_processes
from pagetest import (
    HOSTILE,
    fill_book,
    fill_with,
    find_barriers,
    open_browser,
    serve_book,
    watch_console,
)
from virtual_bench.fixture import VirtualCard

from voicecheck.records import SetType
from voicecheck.workflow.benches.locks import hold_device
from voicecheck.workflow.books import open_book
from voicecheck.workflow.wording import say_found, say_quantity

pytestmark = pytest.mark.page

PAGES = (
    "/",
    "/jobs/1",
    "/jobs/1/checks",
    "/jobs/1/list",
    "/sets",
    "/sets/1",
    "/statistics",
    "/types",
    "/type?name=Lakeside%204",
    "/benches",
    "/meter",
    "/nowhere",
)
WIDTHS = (390, 768, 1280)


MEASURE_PAIR = """([above, below]) => [
  document.querySelector(above).getBoundingClientRect().bottom,
  document.querySelector(below).getBoundingClientRect().top,
]"""


@pytest.fixture
def book(tmp_path: Path) -> Any:
    return fill_book(tmp_path / "book")


@pytest.fixture
def served(book: Any) -> Iterator[Any]:
    with serve_book(book) as served:
        yield served


@pytest.fixture
def browser() -> Iterator[Any]:
    with open_browser() as browser:
        yield browser


def enter(browser: Any, served: Any, path: Any = "/jobs/1") -> Any:
    page = browser.new_page()
    page.goto(served.address)
    page.goto(served.base + path)
    return page


def start_sweep(page: Any, stage: Any, on: str, seats: Any = "1", path: str = "transmit") -> None:
    """Sweep by hand on a bench or device, or try it on a simulated handset."""
    form = page.locator("#try" if on.startswith("simulated") else "#sweep")
    form.evaluate("fold => { fold.open = true; }")
    form.get_by_label("Stage").fill(stage)
    form.get_by_label("Seats").fill(seats)
    form.get_by_label("Path").select_option(path)
    form.locator("[name=on]").select_option(on)
    form.get_by_role("button", name=re.compile("^Start the")).click()


def wait_for_end(page: Any) -> None:
    page.get_by_text(re.compile(r"^(Done|Stopped): ")).wait_for(timeout=30_000)


def test_a_job_from_its_opening_to_its_report(browser: Any, served: Any, book: Any) -> None:
    """Before, after, compare, report; the page shows the book's own numbers."""
    page = browser.new_page()
    told = watch_console(page)
    page.goto(served.address)
    page.get_by_text("Open a job").click()
    page.get_by_label("Label").fill("hall set, blue")
    page.get_by_role("button", name="Open job").click()
    for stage, on in (("before", "simulated:carbon"), ("after", "simulated:electret")):
        start_sweep(page, stage, on, seats="2")
        wait_for_end(page)
    page.get_by_text(re.compile("transmit, after")).first.wait_for()
    page.get_by_role("heading", name="Talks").wait_for()
    page.locator("#numbers-talks > summary").click()
    with open_book(book) as opened:
        opened.add_note(2, "noted meanwhile")
    page.get_by_text("noted meanwhile").first.wait_for()
    assert page.locator("#numbers-talks").get_attribute("open") is not None, "it was folded in"
    with open_book(book) as opened:
        comparison = opened.list_comparisons(2)[-1]
    page.locator("#panel table.findings").first.wait_for()
    shown = page.locator("#panel table tbody tr").all_inner_texts()
    page.locator("#mark-crackle").click()
    page.get_by_role("heading", name="Crackle and noise").wait_for()
    page.locator("#numbers-crackle > summary").click()
    shown += page.locator("#panel table tbody tr").all_inner_texts()
    for finding in comparison.findings:
        wanted = {finding.verdict, finding.path, say_quantity(finding.quantity)}
        wanted.add(say_found(finding, finding.value))
        assert any(all(word in row for word in wanted) for row in shown), finding
    with page.expect_popup() as opening:
        page.locator(".head-tools").get_by_role("link", name="Report").click()
    opening.value.get_by_role("heading", level=1).first.wait_for()
    assert "hall set, blue" in opening.value.content()
    assert told == []


def test_no_page_has_a_serious_barrier_or_needs_more_than_its_width(
    browser: Any, served: Any
) -> None:
    page = enter(browser, served)
    start_sweep(page, "before", "simulated:carbon")
    wait_for_end(page)
    told = watch_console(page)
    for path in PAGES:
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.goto(served.base + path)
            assert find_barriers(page) == [], (path, scheme)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            needed = page.evaluate("document.documentElement.scrollWidth")
            assert needed <= width, (path, width)
    assert [line for line in told if "404" not in line] == []


APART_PX = 12
"""Least room between one box and the next, so that they read as two; a matter of design."""


def test_boxes_do_not_touch(browser: Any, served: Any, book: Any) -> None:
    """At 1280 px: search and the box below it, a type's own box and its columns, its buttons."""
    with open_book(book) as opened:
        opened.add_type(SetType(name="Lakeside 5"))
    pairs = {
        "/": [(".title-row form", "#open")],
        "/type?name=Lakeside+5": [
            ("#offer", ".main-column h2"), ("#offer form", ".side-column .card"),
            ("#baselines-list", "#baselines > form"),
        ],
    }  # fmt: skip
    page = enter(browser, served, "/")
    page.set_viewport_size({"width": 1280, "height": 900})
    for address, boxes in pairs.items():
        page.goto(f"{served.base}{address}")
        for above, below in boxes:
            bottom, top = page.evaluate(MEASURE_PAIR, [above, below])
            assert top - bottom >= APART_PX, (address, above, below, bottom, top)


def test_state_and_next_step_are_above_the_fold_and_the_page_is_short(
    browser: Any, served: Any
) -> None:
    page = enter(browser, served)
    for stage in ("before", "after"):
        start_sweep(page, stage, "simulated:carbon")
        wait_for_end(page)
        page.get_by_role("button", name="Put away").click()
        page.locator("#work-away").wait_for(state="detached")
        page.goto(f"{served.base}/jobs/1")
    for width, height in ((1280, 800), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        for mark in ("talks", "crackle", "dials"):
            page.goto(f"{served.base}/jobs/1?mark={mark}")
            if mark != "dials":
                page.locator("#panel canvas").first.wait_for()
            for part in ("#strip", "#next-title", "#next a.button, #next button"):
                # Asked in one step, since the page may make its parts anew at any moment.
                script = "part => document.querySelector(part).getBoundingClientRect().bottom"
                bottom = page.evaluate(script, part)
                assert 0 < bottom <= height, (width, mark, part)
            whole = page.evaluate("document.documentElement.scrollHeight")
            assert whole <= 2500, (width, mark)
            assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_hostile_names_stay_text_and_inside_the_width(browser: Any, book: Any) -> None:
    """Jobs, types and notes with every kind of trick: no script runs, none overflows."""
    with open_book(book) as opened:
        for text in HOSTILE:
            fill_with(opened, text)
    with serve_book(book) as served:
        page = browser.new_page()
        page.set_viewport_size({"width": 390, "height": 900})
        told = watch_console(page)
        page.on("dialog", lambda dialog: told.append(dialog.message))
        page.goto(served.address)
        for text in HOSTILE:
            number = HOSTILE.index(text) + 2
            name = quote(text, safe="")
            for path in (f"/jobs/{number}", f"/type?name={name}", f"/?search={name}", "/types",
                         f"/sets/{number}", "/sets"):  # fmt: skip
                page.goto(served.base + path)
                shown = page.evaluate("document.body.innerText")
                assert text.split()[0][:40] in shown, path
                assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
    assert told == []


def test_the_keyboard_alone_is_enough(browser: Any, served: Any) -> None:
    """From the list to a sweep that is done, with Tab, letters, Enter and Space."""
    page = enter(browser, served, "/")

    def go_to(name: Any) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            label = page.evaluate(
                "(document.activeElement.labels?.[0] ?? document.activeElement).textContent.trim()"
            )
            if label.startswith(name):
                return
        pytest.fail(f"{name} cannot be reached with the keyboard")

    go_to("hall set, green")
    page.keyboard.press("Enter")
    page.wait_for_url("**/jobs/1")
    go_to("Try it without a bench")
    go_to("Path")
    page.keyboard.type("transmit")
    go_to("Stage")
    page.keyboard.press("Control+A")
    page.keyboard.type("before")
    go_to("Seats")
    page.keyboard.press("Control+A")
    page.keyboard.type("1")
    go_to("On")
    page.keyboard.type("electret")
    go_to("Start the simulated sweep")
    page.keyboard.press("Space")
    wait_for_end(page)


def test_two_pages_stay_consistent_and_what_is_half_typed_stays(
    browser: Any, served: Any, book: Any
) -> None:
    """What one page or another program changes is on the other page without its being loaded."""
    one, other = enter(browser, served), enter(browser, served)
    other.get_by_label("What was done or seen").fill("half a sente")
    one.get_by_label("What was done or seen").fill("contacts cleaned")
    one.get_by_role("button", name="Add note").click()
    other.locator("#log-list").get_by_text("contacts cleaned").wait_for()
    with open_book(book) as opened:
        opened.add_note(1, "noted elsewhere")
    other.locator("#log-list").get_by_text("noted elsewhere").wait_for()
    start_sweep(one, "before", "simulated:carbon")
    other.get_by_text("Done: 1 of 1").wait_for(timeout=30_000)
    other.locator("#log-list").get_by_text("talks, as found").wait_for()
    assert other.get_by_label("What was done or seen").input_value() == "half a sente"


def test_what_changes_before_the_stream_is_open_is_not_missed(
    browser: Any, served: Any, book: Any
) -> None:
    page = browser.new_page()
    page.goto(served.address)

    def change_first(route: Any) -> None:
        with open_book(book) as opened:
            opened.add_note(1, "noted in between")
        route.continue_()

    page.route("**/events*", change_first, times=1)
    page.goto(f"{served.base}/jobs/1")
    page.locator("#log-list").get_by_text("noted in between").wait_for()


def test_a_page_in_the_background_lets_go_and_catches_up(
    browser: Any, served: Any, book: Any
) -> None:
    """Six streams are all that a browser opens; a seventh page must not wait for one."""
    page = enter(browser, served)
    hide = """hidden => {
        Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
        document.dispatchEvent(new Event('visibilitychange'));
    }"""
    page.evaluate(hide, True)
    for _ in range(8):
        enter(browser, served).evaluate(hide, True)
    with open_book(book) as opened:
        opened.add_note(1, "noted meanwhile")
    page.evaluate(hide, False)
    page.locator("#log-list").get_by_text("noted meanwhile").wait_for()


def test_a_device_that_the_command_line_uses_shows_as_busy(browser: Any, served: Any) -> None:
    page = enter(browser, served)
    with hold_device("Oak two-way", "sweep of job 7, transmit"):
        # Only another program's use is news: the server is one, this test is another.
        page.get_by_text("Oak two-way").wait_for()
        page.get_by_text("sweep of job 7").wait_for()
    page.get_by_text("Oak two-way").wait_for(state="detached")


def begin_seat(page: Any, seat: Any) -> None:
    """Do as the prompt before a seat asks."""
    page.locator(".prompt-title", has_text=f"Seat {seat} of").wait_for(timeout=30_000)
    page.locator("[data-go]").click()


@pytest.mark.bench
def test_closing_the_page_stops_the_sound_and_keeps_what_was_recorded(
    shared_card: VirtualCard, browser: Any, book: Any
) -> None:
    """At real speed on the second seat: silent within some seconds, the first seat in the book."""
    with serve_book(book) as served:
        page = enter(browser, served)
        page.get_by_text("A sweep by hand").click()
        page.locator("#sweep").get_by_text("Sound device, recordings").last.click()
        page.locator("#sweep [name=device]").fill(shared_card.device)
        start_sweep(page, "before", "device:", seats="3", path="receive")
        begin_seat(page, 1)
        page.locator(".prompt-title", has_text="Seat 2 of 3").wait_for(timeout=30_000)
        shared_card.change(speed=1)
        begin_seat(page, 2)
        page.locator("[data-done]").wait_for()
        server = served.process.pid
        while not find_sound_processes(server):
            page.wait_for_timeout(20)
        page.close()
        closed_s = time.monotonic()
        while find_sound_processes(server):
            assert time.monotonic() - closed_s < 60, "the sound goes on"
            time.sleep(0.05)
        watching = enter(browser, served)
        watching.get_by_text("Stopped: 1 of 3 seats are kept").wait_for()
    with open_book(book) as opened:
        (run,) = opened.list_runs(job=1)
    assert len(run.recordings) == 1


@pytest.mark.bench
def test_a_sweep_of_the_command_line_shows_as_busy(
    shared_card: VirtualCard, browser: Any, served: Any, book: Any
) -> None:
    page = enter(browser, served)
    shared_card.change(speed=1)
    command = [
        sys.executable, "-m", "voicecheck", "sweep", "1", "--stage", "before", "--path", "loop",
        "--bench", shared_card.device, "--seats", "1", "--yes", "--book", str(book),
    ]  # fmt: skip
    with subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL) as sweep:
        page.get_by_text("Busy:").wait_for()
        page.get_by_text("sweep of job 1, loop").wait_for()
        shared_card.change(speed=20)
        assert sweep.wait(60) == 0
    page.get_by_text("Busy:").wait_for(state="detached")
    page.locator("#log-list").get_by_text("bench check, as found").wait_for()


def test_the_browser_that_the_program_opens_gets_no_secret_in_its_arguments(
    browser: Any, book: Path, tmp_path: Path
) -> None:
    """And comes in by the file that it is given instead, strict cookie and all."""
    helper, given = tmp_path / "browser.sh", tmp_path / "given.txt"
    helper.write_text(f'#!/bin/sh\necho "$@" > {given}\n', encoding="utf-8")
    helper.chmod(0o700)
    with serve_book(book, open_with=helper) as served:
        for _ in range(400):
            if given.exists() and given.read_text(encoding="utf-8"):
                break
            time.sleep(0.05)
        way = given.read_text(encoding="utf-8").strip()
        assert way.startswith("file:///")
        assert "token" not in way
        assert Path(way.removeprefix("file://")).stat().st_mode & 0o777 == 0o600
        page = browser.new_page()
        page.goto(way)
        page.wait_for_url(f"{served.base}/")
        page.get_by_role("heading", name="Jobs").first.wait_for()


def test_a_tab_of_a_program_that_ended_or_was_started_anew_says_what_to_do(
    browser: Any, book: Path
) -> None:
    with serve_book(book) as served:
        page = enter(browser, served)
        port = served.base.rpartition(":")[2]
        assert not page.locator("#gone").is_visible()
    page.locator("#gone", has_text="Open the address that it told last").wait_for()
    with serve_book(book, port=port) as served:
        page.reload()
        page.get_by_text("press Enter where it runs").wait_for()
        page.goto(served.address)
        page.goto(f"{served.base}/jobs/1")
        assert not page.locator("#gone").is_visible()


def test_the_program_ends_on_an_interrupt_with_a_page_open(browser: Any, served: Any) -> None:
    """An open stream does not keep it alive, and nothing but the address is told."""
    enter(browser, served)
    served.process.send_signal(signal.SIGINT)
    told, faults = served.process.communicate(timeout=20)
    assert served.process.returncode in {0, 130}
    assert "Traceback" not in told + faults
