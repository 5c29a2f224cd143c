"""
What grows when the program runs for long: memory, descriptors, threads.

    nice python tests/bench/soak.py page          an hour of meter and page
    nice python tests/bench/soak.py jobs          300 jobs by a script, each tenth reported
    nice python tests/bench/soak.py anew          2000 recordings analysed again
    nice python tests/bench/soak.py all --short   about three minutes of each
    nice python tests/bench/soak.py page 2400     another length: seconds, jobs, recordings

The first fifth is warm-up. The median of the tenth after it is held against the median of the last
tenth; more than 5 % on top fails, for memory (what the processes have to themselves, RssAnon),
open descriptors and threads, each summed over the process and its children. The limits are
judgement: an hour's growth of 5 % is half as much again in a working day. Figures: `soak.md`.
"""

from __future__ import annotations

import dataclasses
import http.client
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from pagetest import open_browser, serve_book
from virtual_bench.fixture import read_environment, start_card

import voicecheck
from voicecheck.records import Recipe
from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.store import add_setup

LOOK_S, PATIENCE_S = 0.5, 600.0
OLD = "0.0.1"
TENTHS, N_WARM, MOST_MORE = 10, 2, 0.05
LONG = {"page": 3600, "jobs": 300, "anew": 2000}
SHORT = {"page": 180, "jobs": 60, "anew": 400}
"""Seconds, jobs, recordings."""
LIGHT = (
    "/", "/?search=oak+3", "/?state=closed", "/jobs/1", "/sets", "/sets/1", "/statistics", "/types",
    "/type?name=Lakeside+4", "/benches", "/bench?name=attic", "/meter", "/help", "/desk",
    "/jobs/1/list", "/jobs/1/trials", "/jobs/1/checks", "/nowhere", "/jobs/99999",
)  # fmt: skip
HEAVY = (
    "/jobs/1/curves", "/jobs/1/report/report.html", "/jobs/1/job.zip", "/jobs/1/listen.wav",
    "/jobs/1/label.svg", "/type/curves?name=Lakeside+4", "/sets/1/years.svg",
)  # fmt: skip
PAUSE_S, HEAVY_EVERY, METER_EVERY_S, REPORT_EVERY = 0.25, 40, 60.0, 10


@dataclass
class Figures:
    """Samples of one part: kB, descriptors, threads."""

    samples: list[tuple[int, int, int]] = field(default_factory=list)

    def summarize(self) -> Iterator[tuple[str, list[float]]]:
        """What is counted, and its median in each tenth of the time."""
        width = len(self.samples) / TENTHS
        edges = [round(width * number) for number in range(TENTHS + 1)]
        for place, name in enumerate(("memory_mb", "descriptors", "threads")):
            values = [one[place] / (1024 if place == 0 else 1) for one in self.samples]
            yield name, [statistics.median(values[a:b]) for a, b in pairwise(edges)]


def list_tree(pid: int) -> list[int]:
    """A process and all below it."""
    found = [pid]
    for one in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in one.read_text(encoding="ascii").split():
            found += list_tree(int(child))
    return found


def look(pid: int) -> tuple[int, int, int]:
    """What a process and those below it hold now; one that has just ended counts nothing."""
    total = [0, 0, 0]
    for one in list_tree(pid):
        try:
            status = Path(f"/proc/{one}/status").read_text(encoding="ascii", errors="replace")
            rows = dict(line.split(":", 1) for line in status.splitlines())
            held = int(rows["RssAnon"].split()[0]), len(list(Path(f"/proc/{one}/fd").iterdir()))
            total = [total[0] + held[0], total[1] + held[1], total[2] + int(rows["Threads"])]
        except (OSError, KeyError):
            continue
    return total[0], total[1], total[2]


@contextmanager
def watching(pid: int) -> Iterator[Figures]:
    """Look at a process all the while."""
    figures, ended = Figures(), threading.Event()

    def keep_looking() -> None:
        while not ended.wait(LOOK_S):
            try:
                held = look(pid)
            except OSError:
                return
            if held[0]:
                figures.samples.append(held)

    looker = threading.Thread(target=keep_looking)
    looker.start()
    try:
        yield figures
    finally:
        ended.set()
        looker.join()


class Asker:
    """A second browser's requests, by the cookie of the first."""

    def __init__(self, base: str, cookie: str) -> None:
        self.host = base.removeprefix("http://")
        self.headers = {"Cookie": cookie, "Origin": base}
        self.n_asked = 0
        self.said: Counter[str] = Counter()

    def ask(self, path: str, form: str | None = None) -> int:
        line = http.client.HTTPConnection(self.host, timeout=PATIENCE_S)
        try:
            headers = {**self.headers, "Content-Type": "application/x-www-form-urlencoded"}
            line.request("GET" if form is None else "POST", path, form, headers)
            answer = line.getresponse()
            answer.read()
        finally:
            line.close()
        self.n_asked += 1
        assert answer.status < 500, (path, answer.status)
        return answer.status

    def look_in(self) -> None:
        """A stream that is opened, read a little, and let go of without a word."""
        line = http.client.HTTPConnection(self.host, timeout=PATIENCE_S)
        line.request("GET", f"/events?tab=passer-{self.n_asked}", headers=self.headers)
        line.getresponse().read(10)
        line.close()


def begin_meter(page: Any) -> str:
    """Stop the meter if it goes, begin it anew; what the page says where it had ended by itself."""
    from playwright.sync_api import TimeoutError as TookTooLong

    stop, said = page.get_by_role("button", name="Stop"), ""
    if stop.is_visible():
        stop.click()
        page.get_by_text("The meter was stopped").wait_for()
    else:
        said = " ".join(page.locator("#work").inner_text().split())
    page.get_by_role("button", name="Start the meter").click()
    try:
        stop.wait_for()
    except TookTooLong:
        # It ended at once; the next minute tells why.
        page.reload()
    return said


def use_page(page: Any, asker: Asker, length_s: float) -> None:
    """The meter goes in the browser and is begun anew each minute; the pages are walked beside."""
    end_s, meter_s, number = time.monotonic() + length_s, 0.0, 0
    while (now_s := time.monotonic()) < end_s:
        if now_s >= meter_s:
            asker.said.update([begin_meter(page)])
            meter_s = now_s + METER_EVERY_S
        asker.ask(LIGHT[number % len(LIGHT)])
        number += 1
        if number % HEAVY_EVERY == 0:
            asker.ask(HEAVY[number // HEAVY_EVERY % len(HEAVY)])
            asker.ask("/jobs/2/note", f"text=round+{number}")
            asker.look_in()
        # The browser's own events are handled while it waits here.
        page.wait_for_timeout(1000 * PAUSE_S)


def count_in_browser(page: Any) -> dict[str, float]:
    """What the browser's own side holds after a collection."""
    line = page.context.new_cdp_session(page)
    line.send("HeapProfiler.collectGarbage")
    line.send("Performance.enable")
    told = {one["name"]: one["value"] for one in line.send("Performance.getMetrics")["metrics"]}
    line.detach()
    return {name: told[name] for name in ("JSHeapUsedSize", "Nodes", "JSEventListeners")}


def soak_page(folder: Path, length_s: int) -> Figures:
    card = start_card("jack", 48000, {"hum_dbfs": -20.0, "noise_dbfs": -50.0, "speed": 1})
    os.environ.update(read_environment(card))
    os.environ["VOICECHECK_LOCKS"] = str(folder / "locks")
    try:
        with voicecheck.open_book(folder / "book") as book:
            book.add_type("Lakeside 4", transmitter="carbon")
            for number in range(60):
                book.open_job(f"set {number}, oak {number % 7}", "Lakeside 4")
            work_job(book.jobs[1], 1, folder / "reports")
            add_setup(book.record, BenchSetup(name="attic", device=card.device, ear_channel=1))
        with serve_book(folder / "book") as served, open_browser() as browser:
            page = browser.new_page()
            page.set_default_timeout(120_000)
            page.goto(served.address)
            page.goto(f"{served.base}/meter")
            cookie = "; ".join(f"{one['name']}={one['value']}" for one in browser.cookies())
            asker = Asker(served.base, cookie)
            with watching(served.process.pid) as figures:
                use_page(page, asker, length_s * N_WARM / TENTHS)
                before = count_in_browser(page)
                use_page(page, asker, length_s * (TENTHS - N_WARM) / TENTHS)
            after = count_in_browser(page)
    finally:
        card.stop()
        shutil.rmtree(card.state)
    told = "; ".join(f"{said[:160]!r} {n} times" for said, n in asker.said.items() if said)
    sys.stdout.write(
        f"page: {asker.n_asked} requests, the meter begun {asker.said.total()} times\n"
    )
    sys.stdout.write(f"page: before it was begun the page said: {told}\n")
    for name, was in before.items():
        sys.stdout.write(f"page: browser's {name} {was:.0f}, at the end {after[name]:.0f}\n")
    return figures


def work_job(job: Any, seed: int, folder: Path | None) -> None:
    """A job as found and as left, held against each other; its report where a folder is given."""
    job.sweep(simulated="carbon", seats=1, seed=seed, stage="before")
    job.sweep(simulated="carbon", seats=1, seed=seed + 1, stage="after")
    job.compare("before", stage="after")
    if folder is not None:
        job.report(folder)


def do_jobs(folder: Path, n_jobs: int) -> None:
    """The script whose process is watched."""
    with voicecheck.open_book(folder / "book") as book:
        book.add_type("Lakeside 4", transmitter="carbon")
        for number in range(n_jobs):
            told = None if number % REPORT_EVERY else folder / "reports"
            work_job(book.open_job(f"set {number}", "Lakeside 4"), 2 * number, told)


def do_fill(folder: Path, n_recordings: int) -> None:
    """Runs of eight recordings each, all of one take with another last bit somewhere."""
    with voicecheck.open_book(folder / "book") as book:
        book.add_type("Lakeside 4", transmitter="carbon")
        job = book.open_job("archive", "Lakeside 4")
        (run,) = job.sweep(simulated="carbon", seats=1)
        (first,) = run.recordings
        recording = book.record.load_recording(str(first.recording.sha256))
        samples = recording.samples.copy()
        for start in range(0, n_recordings, 8):
            measured = []
            for number in range(start, min(start + 8, n_recordings)):
                samples[number] += 2.0**-20
                kept = book.record.save_recording(recording.replace(samples=samples), Recipe())
                info = dataclasses.replace(first.recording, sha256=kept.sha256)
                measured.append(first.replace(recording=info, version=OLD))
            pooled = run.pooled.replace(version=OLD)
            made = dataclasses.replace(run, recordings=tuple(measured), pooled=pooled)
            book.record.save_run(made)
        # The take itself is of this version, and not analysed again.


def do_anew(folder: Path, _: int) -> None:
    from voicecheck.workflow.anew import analyse_anew

    with voicecheck.open_book(folder / "book") as book:
        done = analyse_anew(book.record)
        sys.stdout.write(f"anew: {done.analysed.n_recordings} recordings\n")


CHILDREN: dict[str, Callable[[Path, int], None]] = {
    "do-jobs": do_jobs,
    "do-fill": do_fill,
    "do-anew": do_anew,
}


def run_child(name: str, folder: Path, number: int) -> Figures:
    """A part in a process of its own."""
    command = [sys.executable, __file__, name, str(folder), str(number)]
    with subprocess.Popen(command) as process, watching(process.pid) as figures:
        code = process.wait()
    assert code == 0, (name, code)
    return figures


def soak_jobs(folder: Path, n_jobs: int) -> Figures:
    return run_child("do-jobs", folder, n_jobs)


def soak_anew(folder: Path, n_recordings: int) -> Figures:
    run_child("do-fill", folder, n_recordings)
    return run_child("do-anew", folder, n_recordings)


PARTS = {"page": soak_page, "jobs": soak_jobs, "anew": soak_anew}


def main() -> int:
    if sys.argv[1] in CHILDREN:
        CHILDREN[sys.argv[1]](Path(sys.argv[2]), int(sys.argv[3]))
        return 0
    sizes = dict(SHORT if "--short" in sys.argv else LONG)
    if sys.argv[-1].isdigit():
        sizes[sys.argv[1]] = int(sys.argv[-1])
    n_grown = 0
    for name in PARTS if sys.argv[1] == "all" else (sys.argv[1],):
        began_s, load_before = time.monotonic(), os.getloadavg()[0]
        with tempfile.TemporaryDirectory() as folder:
            figures = PARTS[name](Path(folder), sizes[name])
        took_min = (time.monotonic() - began_s) / 60
        sys.stdout.write(
            f"{name}: {sizes[name]}, {took_min:.1f} min, load {load_before:.1f} before and "
            f"{os.getloadavg()[2]:.1f} over the last 15 min\n"
        )
        for what, medians in figures.summarize():
            is_grown = medians[-1] > medians[N_WARM] * (1 + MOST_MORE)
            n_grown += is_grown
            told = " ".join(f"{one:.0f}" for one in medians)
            sys.stdout.write(f"{name}: {what} by tenths {told}{': GROWN' if is_grown else ''}\n")
        sys.stdout.flush()
    return 1 if n_grown else 0


if __name__ == "__main__":
    sys.exit(main())
