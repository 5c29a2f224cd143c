"""The bench page in Firefox and in WebKit: the main job, typing, hostile names."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from otherbrowsers import Browser, open_firefox, open_webkit, wait_for
from pagetest import HOSTILE, fill_book, fill_with, serve_here

from voicecheck.web.desk import Field, Prompt
from voicecheck.workflow.books import open_book

pytestmark = pytest.mark.page

SWEEPS = (
    ("before", "as found", "simulated:carbon"),
    ("after", "after the work", "simulated:electret"),
)
VOLTS = Field(name="volts", label="Meter", unit="V", default="0.3")


@pytest.fixture(params=[open_firefox, open_webkit], ids=["firefox", "webkit"])
def browser(request: Any, tmp_path: Path) -> Iterator[Browser]:
    home = tmp_path / "home"
    home.mkdir()
    with request.param(home) as browser:
        yield browser


def test_a_job_from_its_opening_to_its_report(browser: Browser, tmp_path: Path) -> None:
    with serve_here(fill_book(tmp_path / "book")) as (address, _):
        browser.go(address)
        label = "document.querySelector('form [name=label]')"
        browser.run(f"{label}.closest('details')?.setAttribute('open', '')")
        browser.run(f"{label}.focus()")
        browser.type("hall set, blue")
        browser.run("document.querySelector('form:has([name=label]) button').click()")
        wait_for(browser, "document.querySelector('h1')?.innerText.includes('hall set, blue')")
        for stage, said, on in SWEEPS:
            wait_for(browser, "document.readyState === 'complete'")
            browser.run(
                f"""(() => {{
                    const form = document.querySelector('#try form');
                    document.querySelector('#try').open = true;
                    form.elements.stage.value = '{stage}';
                    form.elements.seats.value = '1';
                    form.elements.path.value = 'transmit';
                    form.elements.on.value = '{on}';
                    form.querySelector('button').click();
                }})()"""
            )
            panel = "document.querySelector('#work').innerText"
            wait_for(browser, f"{panel}.includes('{said}') && {panel}.includes('Done: 1 of 1')")
        wait_for(browser, "document.querySelector('#panel').innerText.includes('Talks')")
        wait_for(browser, "document.querySelector('#panel canvas')")
        base = address.partition("/enter")[0]
        report = browser.run("document.querySelector('.head-tools a').getAttribute('href')")
        browser.go(base + report)
        assert "hall set, blue" in browser.run("document.body.innerText")
    # A report names no icon, being one file without links; Firefox asks for one all the same.
    assert [line for line in browser.complaints if "/favicon.ico" not in line] == []


def test_a_field_is_never_touched_while_one_types(browser: Browser, tmp_path: Path) -> None:
    with serve_here(fill_book(tmp_path / "book")) as (address, desk):
        browser.go(address)
        tab = browser.run("sessionStorage.getItem('bench-tab')")
        prompt = Prompt(title="Read it", fields=(VOLTS,))
        desk.start("Try", lambda handle: str(handle.ask(prompt)), tab=tab)
        wait_for(browser, "document.querySelector('[name=volts]')")
        browser.run("document.querySelector('[name=volts]').select()")
        digits = "0123456789" * 3
        for n, digit in enumerate(digits):
            browser.type(digit)
            desk.change(line=f"line {n}.")
        wait_for(browser, f"document.querySelector('#work').innerText.includes('line {n}.')")
        assert browser.run("document.activeElement.value") == digits
        desk.stop()


def test_hostile_names_stay_text_and_inside_the_width(browser: Browser, tmp_path: Path) -> None:
    with open_book(fill_book(tmp_path / "book")) as opened:
        for text in HOSTILE:
            fill_with(opened, text)
    with serve_here(tmp_path / "book") as (address, _):
        base = address.partition("/enter")[0]
        browser.go(address)
        for number, text in enumerate(HOSTILE, 2):
            for path in (
                f"/jobs/{number}",
                f"/type?name={quote(text, safe='')}",
                f"/jobs/{number}/list",
                f"/sets/{number}",
            ):
                browser.go(base + path)
                # Not the text as shown, since Firefox leaves out of that what turns its direction.
                assert text.split()[0][:40] in browser.run("document.body.textContent"), path
                assert (
                    browser.run("document.querySelectorAll('script:not([src]), [onerror]').length")
                    == 0
                )
                too_wide = "document.documentElement.scrollWidth - window.innerWidth"
                assert browser.run(too_wide) <= 0, path
    assert browser.complaints == []
