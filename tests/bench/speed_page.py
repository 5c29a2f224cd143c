"""
How fast the page is: requests and first paints, over the smallest answer of the same server.

A part of `all_ratios.py`. Asked for: first paint under 0.3 s, curves under 0.5 s with 10 000 jobs.
"""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Iterator
from pathlib import Path

from pagetest import open_browser, open_client, serve_book
from timing import Ratio, hold

from voicecheck.programme import make_programme
from voicecheck.records import SetType
from voicecheck.records.orders import SimulatedSource
from voicecheck.workflow.benches.choosing import make_simulated_bench
from voicecheck.workflow.books import open_book
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.sweeping.run import sweep

REQUESTS = ("/", "/?page=100", "/?search=oak+9", "/?search=nothing+at+all", "/?state=closed",
            "/jobs/1", "/jobs/1/curves", "/types")  # fmt: skip
SMALLEST = "/static/palette.css"
PAINTS = ("/", "/jobs/1", "/types")


def fill(folder: Path, n_jobs: int) -> None:
    """A book with so many jobs, the first of them swept and compared."""
    with open_book(folder) as book:
        set_type = SetType(name="Lakeside 4")
        book.add_type(set_type)
        for number in range(n_jobs):
            book.open_job(f"set {number}, oak {number % 97}", "Lakeside 4", owner=f"Owner {number}")
        for seed, stage in enumerate(("before", "after"), 1):
            source = SimulatedSource(handset="carbon", seed=seed)
            sweep(
                book, 1, stage=stage, path="transmit", n_seats=3,
                bench=make_simulated_bench(source, set_type), programme=make_programme(),
            )  # fmt: skip
        compare(book, 1, stage="after", against="before")


def list_pages(*, short: bool) -> Iterator[Ratio]:
    """Requests in this process; in the whole form the first paint in a browser as well."""
    n_jobs = 500 if short else 10_000
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder), n_jobs)
        yield from hold_requests(Path(folder), n_jobs)
        if not short:
            yield from hold_paints(Path(folder), n_jobs)


def hold_requests(folder: Path, n_jobs: int) -> Iterator[Ratio]:
    """Processor time from request to answer."""
    with open_client(folder) as client:

        def ask(address: str) -> None:
            assert client.get(address).status_code == 200

        for address in REQUESTS:
            yield hold(
                f"page: {address} of {n_jobs} jobs", lambda: ask(address),  # noqa: B023
                lambda: ask(SMALLEST), "the smallest answer", rounds=9,
            )  # fmt: skip


def hold_paints(folder: Path, n_jobs: int) -> Iterator[Ratio]:
    """Milliseconds from navigation to the first paint with content, as the browser counts them."""
    with serve_book(folder) as served, open_browser() as browser:
        page = browser.new_page()
        page.goto(served.address)

        def paint_ms(address: str) -> float:
            took_ms = []
            for _ in range(7):
                page.goto(served.base + address)
                page.wait_for_timeout(400)
                script = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
                took_ms.append(page.evaluate(script) or float("nan"))
            return statistics.median(took_ms)

        floor_ms = paint_ms(SMALLEST)
        for address in PAINTS:
            yield Ratio(
                name=f"page: first paint of {address}, {n_jobs} jobs", value=paint_ms(address),
                floor=floor_ms, against="the smallest answer, by the clock",
            )  # fmt: skip
