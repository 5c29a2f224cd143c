"""
How many clicks and keys a whole job takes on a bench that was set up, and what is seen on the way.

    python tests/bench/page_clicks.py [FOLDER FOR PICTURES]

A set comes in, is swept along all paths, gets a note, is said to be done, is swept again; dial,
bell, cord, hook and handset are checked, the report is opened, the job closed: at most 16 clicks
beside typing and beside one key a seat or place. The virtual sound server has no dial and no bell:
what a check begun by its button should find is put into the book from a made scene, so that the
next step goes on as at a real bench.

Found: 12 clicks, 23 keys for seats and places.
"""

import os
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
from pagetest import fill_book, open_browser, serve_here
from virtual_bench.fixture import read_environment, start_card

from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.store import add_setup
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checks.kinds import get_kind
from voicecheck.workflow.checks.run import run_check
from voicecheck.workflow.checks.source import Source

SCENES = {"dial": "healthy", "bell": "healthy", "flex": "healthy"}
BY_HAND = {"line": {"loop_ma": 40.0}}


@dataclass
class Counter:
    """Clicks, and keys for seats and places, of one page."""

    page: Any
    folder: Path | None
    clicks: int = 0
    keys: int = 0

    def click(self, where: Any) -> None:
        where.click()
        self.clicks += 1

    def see(self, name: str) -> None:
        if self.folder is not None:
            self.page.screenshot(path=self.folder / f"{name}.png")

    def answer_prompts(self, name: str) -> None:
        """One key for every prompt until the work has ended."""
        seen = 0
        while True:
            # Either somebody is asked, or it is over.
            self.page.locator("[data-go], #work-away").first.wait_for(timeout=120_000)
            go = self.page.locator("[data-go]")
            if not go.count():
                return
            label = go.get_attribute("id")
            seen += 1
            if seen <= 2:
                self.see(f"{name}-prompt-{seen}")
            self.page.keyboard.press("Space")
            self.keys += 1
            self.page.locator(f"#{label}").wait_for(state="detached", timeout=60_000)
            if seen == 2:
                self.page.locator("[data-done]").first.wait_for(timeout=60_000)
                self.page.wait_for_timeout(600)
                self.see(f"{name}-take")


def check_made(book: Path, kind: str, stage: str, part: str = "") -> None:
    """What the check should have found at a real set."""
    options = get_kind(kind).options(**({"moved": part} if part else {}))
    with open_book(book) as opened:
        run_check(kind, Source(simulated=SCENES[kind]), options, book=opened, job=1, stage=stage)


def go_through(counter: Counter, book: Path) -> None:
    page = counter.page
    sweep_all = page.locator("#next").get_by_role("button", name="Sweep all")
    counter.see("first")
    if not sweep_all.is_visible():
        counter.click(page.locator("#other-step > summary"))
    counter.click(sweep_all)
    counter.answer_prompts("as-found")
    page.get_by_label("What was done or seen").fill("element conditioned, contacts cleaned")
    counter.click(page.get_by_role("button", name="Add note"))
    page.locator("#log-list").get_by_text("contacts cleaned").wait_for()
    counter.click(page.locator("#done"))
    page.get_by_text("after the work").first.wait_for()
    counter.click(sweep_all)
    counter.answer_prompts("after")
    for kind, part, words in (
        ("dial", "", "Dial"),
        ("flex", "cord", "Cord"),
        ("flex", "hook", "Hook"),
        ("flex", "handset", "Handset"),
        ("bell", "", "Hear the bell"),
    ):
        counter.click(page.locator("#next").get_by_role("button", name=words, exact=True))
        counter.answer_prompts(f"{kind}-{part}")
        check_made(book, kind, "after", part)
        page.goto(page.url.partition("/jobs/")[0] + "/jobs/1")
        counter.see(f"after-{kind}-{part}")
    with page.expect_popup():
        counter.click(page.locator(".head-tools").get_by_role("link", name="Report"))
    counter.click(page.locator("#state"))
    page.get_by_text("closed").first.wait_for()


def main() -> None:
    pictures = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    card = start_card("jack", 48000, {"speed": 10, "channels": 2, "scene": "handset"})
    os.environ.update(read_environment(card))
    folder = Path(tempfile.mkdtemp())
    os.environ["VOICECHECK_LOCKS"] = str(folder / "locks")
    try:
        book = fill_book(folder / "book")
        with open_book(book) as opened:
            add_setup(opened, BenchSetup(name="attic", device=card.device))
        with serve_here(book) as (address, _), open_browser() as browser:
            page = browser.new_page()
            page.goto(address)
            page.goto(address.partition("/enter")[0] + "/jobs/1")
            counter = Counter(page, pictures)
            go_through(counter, book)
    finally:
        card.stop()
        shutil.rmtree(card.state)
        shutil.rmtree(folder)
    sys.stdout.write(f"{counter.clicks} clicks, {counter.keys} keys for seats and places\n")


if __name__ == "__main__":
    main()
