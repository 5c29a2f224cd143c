"""The bench page in a real browser: sweep before and after, compare, report."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from voicecheck.records import SetType
from voicecheck.workflow.books import open_book

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]

pytestmark = pytest.mark.page


@pytest.fixture
def address(tmp_path):
    with open_book(tmp_path) as book:
        book.add_type(SetType(name="Lakeside 4", transmitter="carbon", feed_ma=40.0))
    command = [sys.executable, "-u", "-m", "voicecheck", "page", "--no-open", "--book", tmp_path]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            yield re.search(r"http\S+", server.stdout.readline())[0]
        finally:
            server.terminate()


@pytest.fixture
def page():
    try:
        from playwright.sync_api import sync_playwright

        if not CHROMIUM.exists():
            raise ImportError(f"there is no {CHROMIUM}")  # noqa: TRY301
    except ImportError as error:
        if os.environ.get("VOICECHECK_REQUIRE_PAGE") == "1":
            raise
        pytest.skip(str(error))
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser.new_page()
        browser.close()


def test_a_job_from_its_opening_to_its_report(page, address):
    told = []
    page.on("console", lambda message: told.append(message.text))
    page.goto(address)
    page.get_by_label("Label").fill("hall set, green")
    page.get_by_role("button", name="Open job").click()
    for stage in ("before", "after"):
        page.get_by_label("Stage").first.fill(stage)
        page.get_by_label("Seats").fill("1")
        page.get_by_role("button", name="Start sweep").click()
        page.get_by_text(f"transmit, {stage}").wait_for(timeout=30_000)
        page.get_by_text("Done: 1 of 1").wait_for(timeout=30_000)
    page.get_by_role("button", name="Compare").click()
    page.get_by_role("heading", name="after against").wait_for(timeout=30_000)
    page.get_by_role("link", name="Report").click()
    page.get_by_role("heading", level=1).first.wait_for(timeout=30_000)
    assert "hall set, green" in page.content()
    assert told == []
