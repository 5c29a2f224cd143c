"""
How often the page's meter is drawn, and what it costs the server, on the virtual sound server.

    python tests/bench/page_meter.py [SECONDS] [jack|pulse]

The program serves a book as a user starts it, a headless browser looks at the meter, and every
drawing of the thirds of an octave is counted. The share of a core is the processor time of the
server process over the time that went by, from /proc; its sound process is told beside it.

Found in 8 s each, on two cores that others used too, Chromium included:

    jack:  19.7 messages and 19.7 drawings a second, longest gap 82 ms; server 3.6 % of a core,
           its sound process 1.1 %
    pulse: 19.9 and 19.9 a second, longest gap 84 ms; server 3.7 %, its sound process 1.0 %

PulseAudio hands over 80 ms of sound at a time; the sound process evens that out to 50 ms.
"""

import os
import re
import shutil
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
from pagetest import fill_book, open_browser, serve_book
from virtual_bench.fixture import read_environment, start_card

from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.store import add_setup
from voicecheck.workflow.books import open_book

SETTLE_S = 2.0
COUNT = """
() => {
  window.drawn = [];
  const watcher = new MutationObserver(() => window.drawn.push(performance.now()));
  // All changes of one drawing come in one call.
  watcher.observe(document.querySelector('.bands'), {attributes: true, subtree: true});
  window.sent = 0;
  document.addEventListener('bench:meter', () => { window.sent += 1; });
}
"""


def read_processor_s(pid: Any) -> Any:
    """Processor time of a process, without that of its children."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def find_children(pid: Any) -> Any:
    lists = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(word) for one in lists for word in one.read_text(encoding="ascii").split()]


def measure(page: Any, pid: Any, length_s: Any) -> Any:
    """Times of drawing in ms, messages, share of a core of the server and of its children."""
    time.sleep(SETTLE_S)
    page.evaluate(COUNT)
    pids = [pid, *find_children(pid)]
    before_s, began_s = [read_processor_s(one) for one in pids], time.monotonic()
    time.sleep(length_s)
    took_s = time.monotonic() - began_s
    shares = [
        (read_processor_s(one) - was_s) / took_s for one, was_s in zip(pids, before_s, strict=True)
    ]
    drawn_ms, sent = page.evaluate("() => [window.drawn, window.sent]")
    return drawn_ms, sent, took_s, shares


def main() -> None:
    length_s = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    kind = sys.argv[2] if len(sys.argv) > 2 else "jack"
    settings = {"hum_dbfs": -20.0, "hum_hz": 60.0, "noise_dbfs": -50.0}
    card = start_card(kind, 48000, {**settings, **({"speed": 1} if kind == "jack" else {})})
    os.environ.update(read_environment(card))
    folder = Path(tempfile.mkdtemp())
    os.environ["VOICECHECK_LOCKS"] = str(folder / "locks")
    try:
        with open_book(fill_book(folder / "book")) as book:
            add_setup(book, BenchSetup(name="attic", device=card.device, ear_channel=1))
        with serve_book(folder / "book") as served, open_browser() as browser:
            page = browser.new_page()
            page.goto(served.address)
            page.goto(f"{served.base}/meter")
            page.get_by_role("button", name="Start the meter").click()
            page.get_by_role("heading", name=re.compile("^attic")).wait_for()
            drawn_ms, sent, took_s, shares = measure(page, served.process.pid, length_s)
            page.get_by_role("button", name="Stop").click()
            page.get_by_text("The meter was stopped").wait_for()
    finally:
        card.stop()
        shutil.rmtree(card.state)
        shutil.rmtree(folder)
    gaps_ms = [after - before for before, after in pairwise(drawn_ms)]
    sys.stdout.write(
        f"{kind}: {sent / took_s:.1f} messages and {len(drawn_ms) / took_s:.1f} drawings a second, "
        f"longest gap {max(gaps_ms):.0f} ms; server {100 * shares[0]:.1f} % of a core, "
        f"its sound process {100 * sum(shares[1:]):.1f} %\n"
    )


if __name__ == "__main__":
    main()
