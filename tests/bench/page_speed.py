"""
How fast the page is: lists of a large book, and the first paint in a real browser.

    python tests/bench/page_speed.py [JOBS]

Prints medians. Asked for: first paint under 0.3 s, curves under 0.5 s with 10 000 jobs. Measured
with 2000 jobs, on two cores that many others used (2.5 s of the clock for 1 s of a processor): a
list or search 11 to 21 ms of a processor, a job 47 ms, its curves 24 ms; first paint 156 to 320 ms
by the clock.
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from pagetest import open_browser, open_client, serve_book

from voicecheck.programme import make_programme
from voicecheck.records import SetType
from voicecheck.records.orders import SimulatedSource
from voicecheck.workflow.benches.choosing import make_simulated_bench
from voicecheck.workflow.books import open_book
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.sweeping.run import sweep

REQUESTS = ("/", "/?page=100", "/?search=oak+9", "/?search=nothing+at+all", "/?state=closed",
            "/jobs/1", "/jobs/1/curves", "/types")  # fmt: skip
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


def time_requests(folder: Path) -> None:
    """Seconds from request to answer, in this process, and the processor time of it."""
    with open_client(folder) as client:
        for address in REQUESTS:
            took_s, worked_s = [], []
            for _ in range(9):
                began_s, idle_s = time.perf_counter(), time.process_time()
                assert client.get(address).status_code == 200
                took_s.append(time.perf_counter() - began_s)
                worked_s.append(time.process_time() - idle_s)
            sys.stdout.write(
                f"{address:28} {1000 * statistics.median(took_s):7.1f} ms, "
                f"{1000 * statistics.median(worked_s):.1f} ms of a processor\n"
            )


def time_paints(folder: Path) -> None:
    """Seconds from navigation to the first paint with content, as the browser counts them."""
    with serve_book(folder) as served, open_browser() as browser:
        page = browser.new_page()
        page.goto(served.address)
        for address in PAINTS:
            took_ms = []
            for _ in range(7):
                page.goto(served.base + address)
                page.wait_for_timeout(400)
                script = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
                took_ms.append(page.evaluate(script) or float("nan"))
            sys.stdout.write(
                f"{address:28} {statistics.median(took_ms):7.0f} ms to the first paint\n"
            )


def main() -> None:
    """Fill a book, then time."""
    n_jobs = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder), n_jobs)
        sys.stdout.write(f"{n_jobs} jobs\n")
        time_requests(Path(folder))
        time_paints(Path(folder))


if __name__ == "__main__":
    main()
