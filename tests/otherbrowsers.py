# mypy: disable-error-code="no-untyped-call"
"""Firefox by its own BiDi port and WebKit by its driver, with the little that the tests need."""

import json
import os
import subprocess
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from services import need, need_module, need_program

PATIENCE_S = 30.0


class Browser(Protocol):
    """One window of a browser that is not Chromium."""

    complaints: list[str]

    def go(self, address: str) -> None:
        """Load an address."""

    def run(self, expression: str) -> Any:
        """The value of a JavaScript expression, as JSON carries it."""

    def type(self, text: str) -> None:
        """Press the keys, wherever the cursor is."""


def wait_for(browser: Browser, expression: str) -> None:
    """Until the expression is true."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if browser.run(f"Boolean({expression})"):
            return
        time.sleep(0.05)
    raise AssertionError((expression, browser.run("document.body.innerText")))


class Firefox:
    """
    Spoken to as W3C's WebDriver BiDi has it, without a driver program.

    Source: WebDriver BiDi, W3C Working Draft, modules session, browsingContext, script, input, log.
    """

    def __init__(self, line: Any) -> None:
        self._line, self._number = line, 0
        self.complaints: list[str] = []
        self._ask("session.new", capabilities={})
        self._ask("session.subscribe", events=["log.entryAdded"])
        tree = self._ask("browsingContext.getTree")
        self._tab = tree["contexts"][0]["context"]

    def go(self, address: str) -> None:
        """See `Browser`."""
        self._ask("browsingContext.navigate", context=self._tab, url=address, wait="complete")

    def run(self, expression: str) -> Any:
        """See `Browser`."""
        told = self._ask(
            "script.evaluate",
            expression=f"(async () => JSON.stringify(await ({expression})))()",
            target={"context": self._tab},
            awaitPromise=True,
        )
        assert told["type"] == "success", told
        return json.loads(told["result"].get("value", "null"))

    def type(self, text: str) -> None:
        """See `Browser`."""
        keys = [{"type": kind, "value": one} for one in text for kind in ("keyDown", "keyUp")]
        source = {"type": "key", "id": "keyboard", "actions": keys}
        self._ask("input.performActions", context=self._tab, actions=[source])

    def _ask(self, method: str, **params: Any) -> Any:
        self._number += 1
        self._line.send(json.dumps({"id": self._number, "method": method, "params": params}))
        while True:
            told = json.loads(self._line.recv(timeout=PATIENCE_S))
            if told.get("method") == "log.entryAdded":
                entry = told["params"]
                if entry["level"] in {"error", "warn"}:
                    self.complaints.append(str(entry["text"]))
            elif told.get("id") == self._number:
                assert told["type"] == "success", told
                return told["result"]


@contextmanager
def open_firefox(folder: Path) -> Iterator[Browser]:
    """Firefox without a screen, with a profile in a folder of the test."""
    client = need_module("websockets.sync.client", "BROWSERS")
    program = need_program("firefox-esr", "BROWSERS")
    command = [program, "--headless", "--no-remote", "--profile", str(folder)]
    command += ["--remote-debugging-port", "0", "about:blank"]
    home = {**os.environ, "HOME": str(folder)}
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=home) as process:
        try:
            assert process.stderr is not None
            said = (line for line in process.stderr if "WebDriver BiDi listening on" in line)
            address = next(said).split()[-1]
            with client.connect(f"{address}/session", max_size=None) as line:
                yield Firefox(line)
        finally:
            process.terminate()
            if process.stderr is not None:
                process.stderr.read()


class WebKit:
    """Spoken to by Selenium. Complaints of its console are not to be had."""

    def __init__(self, driver: Any) -> None:
        self._driver = driver
        self.complaints: list[str] = []

    def go(self, address: str) -> None:
        """See `Browser`."""
        self._driver.get(address)

    def run(self, expression: str) -> Any:
        """See `Browser`."""
        script = (
            "const done = arguments[arguments.length - 1];"
            f"(async () => done(JSON.stringify(await ({expression})) ?? 'null'))();"
        )
        return json.loads(self._driver.execute_async_script(script))

    def type(self, text: str) -> None:
        """See `Browser`."""
        self._driver.switch_to.active_element.send_keys(text)


@contextmanager
def open_webkit(folder: Path) -> Iterator[Browser]:
    """WebKit's small browser on a screen that nobody sees."""
    webdriver = need_module("selenium.webdriver", "BROWSERS")
    options_of = need_module("selenium.webdriver.webkitgtk.options", "BROWSERS")
    service_of = need_module("selenium.webdriver.webkitgtk.service", "BROWSERS")
    driver_program = need_program("WebKitWebDriver", "BROWSERS")
    screen_program = need_program("Xvfb", "BROWSERS")
    browser = next(Path("/usr/lib").glob("*/webkit2gtk-4.*/MiniBrowser"), None)
    need("BROWSERS", None if browser else "there is no MiniBrowser of WebKit")
    command = [
        screen_program,
        "-displayfd",
        "1",
        "-screen",
        "0",
        "1280x1000x24",
        "-nolisten",
        "tcp",
    ]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    with subprocess.Popen(command, text=True, **pipes) as screen:  # type: ignore[call-overload]
        options = options_of.Options()
        options.binary_location = str(browser)
        options.add_argument("--automation")
        surroundings = {
            **os.environ,
            "DISPLAY": f":{screen.stdout.readline().strip()}",
            "GDK_BACKEND": "x11",
            "HOME": str(folder),
            # Without a language WebKit calls its own "C", which its numbers then refuse.
            "LANG": "en_GB.UTF-8",
            "LC_ALL": "en_GB.UTF-8",
            "WEBKIT_DISABLE_COMPOSITING_MODE": "1",
        }
        service = service_of.Service(driver_program, env=surroundings)
        try:
            with warnings.catch_warnings():
                # Selenium warns of its own way to this driver.
                warnings.simplefilter("ignore", DeprecationWarning)
                driver = webdriver.WebKitGTK(options=options, service=service)
            driver.set_script_timeout(PATIENCE_S)
            try:
                yield WebKit(driver)
            finally:
                driver.quit()
        finally:
            screen.terminate()
