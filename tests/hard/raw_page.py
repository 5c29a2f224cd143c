"""
Sends the bench page what nobody should send (`raw_requests.py`), from a seed.

    PYTHONPATH=tests python tests/hard/raw_page.py --requests 5000 --seed 1

Each is sent over a socket of its own, whole, in drops, cut off or let go of. Whatever it is: no
answer of 500 or above, no fault in the server's log, every connection closed in the end, nothing in
the book that a request had no right to write, nothing of a file that is none of the page's.
"""

from __future__ import annotations

import argparse
import logging
import re
import socket
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))
from pagetest import Place, fill_book, serve_here
from raw_requests import Maker, Raw

from voicecheck.web import connections
from voicecheck.workflow.books import open_book

DEADLINE_S, PATIENCE_S, N_HANDS = 1.0, 30.0, 4


@dataclass
class Figures:
    """What happened in all."""

    kinds: Counter[str] = field(default_factory=Counter)
    statuses: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    held: list[tuple[int, int]] = field(default_factory=list)
    """kB that the process has to itself, open descriptors: after the first tenth, at the end."""


def exchange(place: Place, raw: Raw) -> bytes:
    """
    Send, and read to the end of the connection.

    Raises
    ------
    TimeoutError
        The connection is still open after half a minute.
    """
    told = b""
    with socket.create_connection(("127.0.0.1", place.port), timeout=PATIENCE_S) as line:
        try:
            start = 0
            for cut in (*raw.drops, len(raw.data)):
                line.sendall(raw.data[start:cut])
                start = cut
                if raw.drops:
                    time.sleep(DEADLINE_S / 50)
            if raw.then == "reset":
                # Closed with a linger time of nothing: the other side is told by a reset.
                line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            while raw.then == "read" and (piece := line.recv(1 << 20)):
                told += piece
        except (ConnectionResetError, BrokenPipeError):
            pass
    return told


def judge(figures: Figures, place: Place, raw: Raw, name: str) -> None:
    """One request, and what must not be."""
    begun_s = time.monotonic()
    try:
        told = exchange(place, raw)
    except TimeoutError:
        figures.wrong.append(f"{name}, {raw.kind}: hangs: {raw.data[:200]!r}")
        return
    figures.slowest_s = max(figures.slowest_s, time.monotonic() - begun_s)
    figures.kinds[raw.kind] += 1
    # No body of ours holds such a line.
    found = [int(one) for one in re.findall(rb"HTTP/1\.1 (\d{3}) [\w ]*\r\n", told)]
    answers = [one for one in found if one >= 200]
    figures.statuses.update([str(one) for one in answers] or ["closed"])
    bad = [one for one in answers if one >= 500 or (raw.allowed and one not in raw.allowed)]
    if bad or raw.n_answers not in {None, len(answers)}:
        figures.wrong.append(f"{name}, {raw.kind}: {answers}: {raw.data[:300]!r}")
    if b"root:" in told or b"SQLite format" in told:
        figures.wrong.append(f"{name}, {raw.kind}: gives a file away: {raw.data[:300]!r}")


class Complaints(logging.Handler):
    """What the server says of itself: a fault in an answer, or one outside of any."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.found: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.found.append(self.format(record)[-600:])


@contextmanager
def hearing_complaints() -> Iterator[list[str]]:
    """Listen to what uvicorn and asyncio log as errors; the page itself keeps them quiet."""
    heard, loggers = Complaints(), [logging.getLogger(one) for one in ("uvicorn.error", "asyncio")]
    levels = [(one.level, one.propagate) for one in loggers]
    for one in loggers:
        one.addHandler(heard)
        one.setLevel(logging.ERROR)
        one.propagate = False
    try:
        yield heard.found
    finally:
        for one, (level, is_passed_on) in zip(loggers, levels, strict=True):
            one.removeHandler(heard)
            one.setLevel(level)
            one.propagate = is_passed_on


def look() -> tuple[int, int]:
    """Memory of this process in kB, and its descriptors."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    found = re.search(r"RssAnon:\s+(\d+)", status)
    return int(found[1]) if found else 0, len(list(Path("/proc/self/fd").iterdir()))


def run_many(folder: Path, n_requests: int, seed: int) -> Figures:
    """A page of its own, four at a time; deadlines are short, so that half requests end soon."""
    figures = Figures()
    connections.HEADER_S = connections.BODY_S = DEADLINE_S  # by hand; a test puts them back
    with open_book(fill_book(folder)) as book:
        book.open_job("for notes", "Lakeside 4")
    with serve_here(folder) as (address, _), hearing_complaints() as complaints:
        place = Place(address)
        numbers, tenth = range(n_requests), n_requests // 10

        def send(number: int) -> None:
            raw = Maker(place, Random(f"{seed} {number}")).make(number)
            judge(figures, place, raw, f"seed {seed} request {number}")

        for part in (numbers[:tenth], numbers[tenth:]):
            with ThreadPoolExecutor(N_HANDS) as hands:
                list(hands.map(send, part))
            settle()
            figures.held.append(look())
        if place.ask("/jobs/1").status != 200:
            figures.wrong.append("the page does not answer any more")
    figures.wrong += complaints
    with open_book(folder) as book:
        stray = [note for note in book.load_job(2).notes if "smuggled" in note]
    figures.wrong += [f"written without a right: {note[:100]!r}" for note in stray]
    return figures


def settle() -> None:
    """Until nothing of the server's is waiting any more: its own deadlines, and the pool's."""
    end_s = time.monotonic() + PATIENCE_S
    is_steady, before = 0, look()[1]
    while is_steady < 5 and time.monotonic() < end_s:
        threading.Event().wait(DEADLINE_S / 2)
        now = look()[1]
        is_steady, before = (is_steady + 1 if now == before else 0), now


def main() -> None:
    """Print the figures; exit status 1 where anything ended as it must not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        figures = run_many(Path(place) / "book", asked.requests, asked.seed)
    told = ", ".join(f"{name}: {n}" for name, n in sorted(figures.statuses.items()))
    (warm_kb, warm_files), (late_kb, late_files) = figures.held
    lines = [
        f"{asked.requests} requests, seed {asked.seed}: {told}; {len(figures.wrong)} wrong",
        f"{time.monotonic() - begun_s:.0f} s, slowest {figures.slowest_s:.2f} s; memory "
        f"{warm_kb / 1024:.0f} MB after the first tenth, {late_kb / 1024:.0f} at the end; "
        f"descriptors {warm_files}, {late_files}",
        *figures.wrong,
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    sys.exit(bool(figures.wrong))


if __name__ == "__main__":
    main()
