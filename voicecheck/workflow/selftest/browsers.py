"""The page's first screen, served on this machine and loaded by the browsers that are installed."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from voicecheck.workflow.browsing import find_readable
from voicecheck.workflow.selftest.tasks import Task, Tried

START_S, LOAD_S = 60.0, 90.0
"""How long the program may take to serve its page, and a browser to show it, on a slow machine."""
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FIREFOX_NAMES = ("firefox", "firefox-esr")
SHOWN = ("<h1>Jobs</h1>", 'id="list"', 'href="/help"')
"""What the first screen of a new job book holds."""
FEWEST_COLOURS = 8
"""An empty window has one or two; text and frames have hundreds."""
NEEDED = ("starlette", "uvicorn", "multipart")
ADVICE = "update the browser, or open the address of `voicecheck page` in another one"
Find = Callable[[str], str | None]


def list_page_tasks(find: Find = shutil.which) -> tuple[Task, ...]:
    """
    One task a kind of browser that is there, or one that says there is none.

    Parameters
    ----------
    find : callable
        Path of a program by its name, `None` where there is none.
    """
    found = {kind: path for kind, names in FAMILIES.items() if (path := _find_first(find, names))}
    if not found:
        return (_make_task("browser", "The page in a browser", _tell_none),)
    return tuple(
        _make_task(kind.lower(), f"The page in {kind}", lambda kind=kind, path=path: try_page(  # type: ignore[misc]
            LOADERS[kind], path
        ))
        for kind, path in found.items()
    )  # fmt: skip


def _make_task(name: str, title: str, run: Callable[[], Tried]) -> Task:
    return Task(group="page", name=name, title=title, run=run)


def _find_first(find: Find, names: tuple[str, ...]) -> str | None:
    return next((path for name in names if (path := find(name))), None)


def _tell_none() -> Tried:
    names = ", ".join((*CHROMIUM_NAMES[:1], *FIREFOX_NAMES[:1]))
    return Tried(outcome="not tried", told=f"no browser is found by its name ({names})")


def try_page(load: Callable[[str, str, Path], str], browser: str) -> Tried:
    """
    Serve the page of an empty book and load its first screen.

    Parameters
    ----------
    load : callable
        Given browser, address and a folder for its profile; says what is wrong, "" for nothing.
    browser : str
        Path of the browser.
    """
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        return Tried(
            outcome="not tried",
            told=f"the part for the page is not installed ({', '.join(missing)})",
            advice="pip install 'voicecheck[page]'",
        )
    with (
        tempfile.TemporaryDirectory(dir=find_readable(), ignore_cleanup_errors=True) as folder,
        serve(Path(folder)) as address,
    ):
        if not address:
            return Tried(
                outcome="fails",
                told=f"the page was not served within {START_S:.0f} s",
                advice="see what `voicecheck page` says in a terminal",
            )
        wrong = load(browser, address, Path(folder))
    if wrong:
        return Tried(outcome="fails", told=f"{browser}: {wrong}", advice=ADVICE)
    return Tried(outcome="passes", told=f"{browser} shows the first screen")


@contextlib.contextmanager
def serve(folder: Path) -> Iterator[str]:
    """
    The page of a new book, served by a program of its own on a free port of this machine.

    Yields
    ------
    str
        Its address, good once; "" where it did not come.
    """
    program = (
        [sys.executable] if getattr(sys, "frozen", False) else [sys.executable, "-m", "voicecheck"]
    )
    command = [*program, "page", "--no-open", "--port", "0", "--book", str(folder / "book")]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True, encoding="utf-8",
    ) as server:  # fmt: skip
        overdue = threading.Timer(START_S, server.kill)
        overdue.start()
        try:
            line = server.stdout.readline() if server.stdout else ""
            overdue.cancel()
            found = re.search(r"http://127\.0\.0\.1:\d+/enter\?token=\S+", line)
            yield found[0] if found else ""
        finally:
            overdue.cancel()
            server.terminate()


def load_in_chromium(browser: str, address: str, folder: Path) -> str:
    """What is wrong with the page that a Chromium made of it; "" where nothing is."""
    done = _run(
        [browser, "--headless", "--disable-gpu", "--no-first-run", "--enable-logging=stderr",
         "--disable-background-networking", f"--user-data-dir={folder / 'profile'}",
         *_without_sandbox(), "--dump-dom", address],
    )  # fmt: skip
    if isinstance(done, str):
        return done
    missing = [part for part in SHOWN if part not in done.stdout]
    told = re.findall(r"CONSOLE.*?\] (.*)", done.stderr)
    if missing:
        return f"the first screen is not there ({', '.join(missing)} missing)"
    return f"the page complains: {told[0][:200]}" if told else ""


def load_in_firefox(browser: str, address: str, folder: Path) -> str:
    """The same of a Firefox, which gives a picture: not empty, and the address was used up."""
    picture = folder / "screen.png"
    done = _run(
        [browser, "--headless", "--no-remote", "--profile", str(_make(folder / "profile")),
         "--window-size=1000,800", "--screenshot", str(picture), address],
        environment={"MOZ_HEADLESS": "1"},
    )  # fmt: skip
    if isinstance(done, str):
        return done
    if not picture.is_file():
        return "no picture of the first screen came"
    if not is_used_up(address):
        return "the address was never opened"
    n_colours = count_colours(picture)
    return "" if n_colours >= FEWEST_COLOURS else f"the window stayed empty ({n_colours} colours)"


def _make(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    return folder


def _without_sandbox() -> tuple[str, ...]:
    # A browser refuses to build its sandbox as the system's own user, in a container for instance.
    return ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()


def _run(
    command: list[str], environment: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str] | str:
    """Run a browser to its end; in words where it cannot be, or takes too long."""
    try:
        return subprocess.run(
            command, capture_output=True, text=True, errors="replace", timeout=LOAD_S, check=False,
            stdin=subprocess.DEVNULL, env={**os.environ, **(environment or {})},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return f"it showed nothing within {LOAD_S:.0f} s"
    except OSError as error:
        return f"it cannot be started ({error.strerror})"


def is_used_up(address: str) -> bool:
    """Whether a browser went in by an address, which is good once."""
    # It leads on with a cookie: without one even a first visitor is turned away after it.
    visitor = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    try:
        with visitor.open(address, timeout=10):
            return False
    except urllib.error.HTTPError as error:
        return error.code in {401, 403}
    except OSError:
        return False


def count_colours(picture: Path) -> int:
    """Colours of a picture, up to a thousand."""
    from PIL import Image

    with Image.open(picture) as image:
        colours = image.convert("RGB").getcolors(1 << 24)
    return len(colours or ())


FAMILIES = {"Chromium": CHROMIUM_NAMES, "Firefox": FIREFOX_NAMES}
LOADERS: Mapping[str, Callable[[str, str, Path], str]] = {
    "Chromium": load_in_chromium, "Firefox": load_in_firefox,
}  # fmt: skip
