# mypy: disable-error-code="attr-defined,call-overload,index,type-arg"
"""What the tests of the page share: a client that may ask, and a real browser."""

import http.client
import os
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from services import need, need_module

need_module("starlette", "PAGE")
import uvicorn
from starlette.testclient import TestClient

from voicecheck.jobbook import JobBook
from voicecheck.records import SetType
from voicecheck.records.sets import Work
from voicecheck.web.app import make_app
from voicecheck.web.connections import BoundedConnection
from voicecheck.web.desk import Desk
from voicecheck.web.gate import Keys
from voicecheck.web.serving import open_listener
from voicecheck.workflow.books import open_book

HOST, TOKEN = "127.0.0.1:4711", "a-token-of-the-test"
ORIGIN = {"origin": f"http://{HOST}"}
TAB = "tab-of-the-test"
CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
HOSTILE = (
    "<script>alert(1)</script>",
    "\u202eabc\u202d",
    "../../etc/passwd",
    "😀" * 50,
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% raw %}",
    "javascript:alert(1)",
    "x" * 900,
    "a\r\nset-cookie: b=c",
    "' OR 1=1 --",
)


def fill_book(folder: Path) -> Path:
    """A book with one set type and one job."""
    with open_book(folder) as book:
        book.add_type(SetType(name="Lakeside 4", transmitter="carbon", feed_ma=40.0))
        book.open_job("hall set, green", "Lakeside 4", owner="A. Invented", complaint="weak")
    return folder


def fill_with(book: JobBook, text: str) -> int:
    """A type, a job, a set, its work and a hazard, all in the same words; the number of the job."""
    book.add_type(SetType(name=text, wiring=text, notes=text))
    number = book.open_job(text, text, owner=text, complaint=text, contact=text).job
    book.add_note(number, text)
    book.edit_set(number, marks=text, part_dates=text, colour=text)
    book.add_work(number, Work(kind="part", what=text, old_value=text, new_value=text))
    book.add_work(number, Work(kind="hazard", what=text))
    return number


def invite(host: str) -> Keys:
    """Keys of which the token of the tests is good once."""
    keys = Keys(host)
    keys.invite(TOKEN)
    return keys


@contextmanager
def open_client(folder: Path) -> Iterator[TestClient]:
    """A client that came in by the token, with the server's watch running."""
    app = make_app(folder, invite(HOST))
    with TestClient(app, base_url=f"http://{HOST}", headers=ORIGIN) as client:
        client.get("/enter", params={"token": TOKEN})
        client.desk = app.state.desk
        # Work stops when its page is gone, and a page is only there while its stream is open.
        client.desk.open_tab(TAB)
        yield client


@dataclass
class Served:
    """The program as it serves a book: the address with the token, that without, the process."""

    address: str
    process: subprocess.Popen

    @property
    def base(self) -> str:
        return self.address.partition("/enter")[0]


@contextmanager
def serve_book(folder: Path, *, port: str = "0", open_with: Path | None = None) -> Iterator[Served]:
    """The program itself, as a user starts it."""
    command = [sys.executable, "-u", "-m", "voicecheck", "page", "--book", folder, "--port", port]
    command += [] if open_with else ["--no-open"]
    environment = {**os.environ, **({"BROWSER": str(open_with)} if open_with else {})}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen(command, text=True, env=environment, **pipes) as server:
        try:
            yield Served(re.search(r"http\S+", server.stdout.readline())[0], server)
        finally:
            server.terminate()


@contextmanager
def serve_here(folder: Path) -> Iterator[tuple[str, Desk]]:
    """The page served from this process, and its desk, so that a test can put work on it."""
    with open_listener(0) as listener:
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        app = make_app(folder, invite(host))
        config = uvicorn.Config(
            app, http=BoundedConnection, log_level="critical", timeout_graceful_shutdown=1
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            yield f"http://{host}/enter?token={TOKEN}", app.state.desk
        finally:
            server.should_exit = True
            thread.join(20)


class Place:
    """Where a page is served, and the cookie of a browser that came in; spoken to by sockets."""

    def __init__(self, address: str) -> None:
        self.host, _, way = address.removeprefix("http://").partition("/")
        self.port = int(self.host.rpartition(":")[2])
        self.cookie = ""
        answer = self.ask("/" + way)
        self.cookie = answer.headers["set-cookie"].partition(";")[0]

    def ask(self, path: str) -> http.client.HTTPResponse:
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as line:
            line.request("GET", path, headers={"Cookie": self.cookie, "Host": self.host})
            answer = line.getresponse()
            answer.read()
            return answer

    def dial(self, sent: bytes) -> socket.socket:
        line = socket.create_connection(("127.0.0.1", self.port), timeout=20)
        line.sendall(sent)
        return line


@contextmanager
def open_browser(**options: Any) -> Iterator:
    """A context of a headless browser that never waits longer than two minutes."""
    driver_library = need_module("playwright.sync_api", "PAGE")
    need("PAGE", None if CHROMIUM.exists() else f"there is no {CHROMIUM}")
    with driver_library.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        context = browser.new_context(**options)
        context.set_default_timeout(120_000)
        yield context
        browser.close()


def watch_console(page: Any) -> list[str]:
    """Errors and warnings of a page, filled as they come; policy violations are among them."""
    told: list[str] = []
    page.on("console", lambda m: told.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("pageerror", lambda error: told.append(str(error)))
    return told


def find_barriers(page: Any) -> list[str]:
    """Serious faults that axe-core finds on a page as it is shown now."""
    # The library is given through the debugger, since the page's own policy lets no script in.
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {node['html'][:160]}: {node['failureSummary'][:200]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical", "moderate"}
        for node in one["nodes"]
    ]
