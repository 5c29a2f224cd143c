"""Serving the page on the loopback address."""

from __future__ import annotations

import contextlib
import signal
import socket
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from voicecheck.errors import InputError
from voicecheck.workflow.browsing import find_readable
from voicecheck.writing import DOOR

if TYPE_CHECKING:
    from voicecheck.web.gate import Keys
    from voicecheck.workflow.books import Where


def serve_page(
    book: Where, port: int, *, tell: Callable[[str], object], opens_browser: bool
) -> None:
    """
    Serve until interrupted.

    Raises
    ------
    InputError
        The extra `page` is not installed, or the port is taken.
    """
    try:
        import uvicorn

        from voicecheck.web.app import make_app
        from voicecheck.web.connections import BoundedConnection
        from voicecheck.web.gate import Keys
    except ModuleNotFoundError as error:
        raise InputError(
            f"page: {error.name} is not there; install it with `pip install 'voicecheck[page]'`"
        ) from None
    with open_listener(port) as listener:
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        keys = Keys(host)
        inviting = _Inviting(keys, tell)
        # Without a limit an open stream would keep the server from ever leaving.
        config = uvicorn.Config(
            make_app(book, keys),
            http=BoundedConnection,
            ws="none",
            log_level="critical",
            timeout_graceful_shutdown=1,
        )
        with tempfile.TemporaryDirectory(prefix="bench-page-", dir=find_readable()) as folder:
            address = inviting.tell_address("(Ctrl-C ends it)")
            if opens_browser:
                webbrowser.open(write_way_in(Path(folder), address).as_uri())
            inviting.begin()
            uvicorn.Server(config).run(sockets=[listener])


def write_way_in(folder: Path, address: str) -> Path:
    """
    A file of this user's alone that leads a browser to the page.

    The address holds a token, and what stands in a command's arguments can be read by everybody
    on the machine.
    """
    line = f'<meta charset="utf-8"><meta http-equiv="refresh" content="0; url={address}">'
    way = DOOR.write(folder / "bench-page.html", f"<!doctype html>{line}\n".encode())
    way.chmod(0o600)
    return way


class _Inviting:
    """Tells an address, and another one whenever Enter is pressed where the program runs."""

    def __init__(self, keys: Keys, tell: Callable[[str], object]) -> None:
        self._keys, self._tell = keys, tell

    def tell_address(self, more: str) -> str:
        """An address that is good once."""
        address = f"http://{self._keys.host}/enter?token={self._keys.invite()}"
        self._tell(f"The bench page is at {address} {more}")
        return address

    def begin(self) -> None:
        """Listen to the terminal beside the server, if there is one."""
        if sys.stdin is None or not sys.stdin.isatty():
            return
        if hasattr(signal, "SIGTTIN"):
            # A job that is put into the background is not stopped for reading: it hears nothing.
            signal.signal(signal.SIGTTIN, signal.SIG_IGN)
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while sys.stdin.readline():
                self.tell_address("(good once, for five minutes)")


def open_listener(port: int) -> socket.socket:
    """
    Listen on this machine alone; 0 chooses a free port.

    Raises
    ------
    InputError
        The port is taken, or not for this user.
    """
    # By its full name: asyncio sends a small answer at once only on what calls itself TCP, and an
    # answer in two pieces otherwise waits 40 ms for the browser to acknowledge the first.
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        # Listening before the address is told, so that a quick browser waits.
        listener.listen()
    except OSError as error:
        listener.close()
        raise InputError(f"port: {port} cannot be used ({error.strerror})") from None
    return listener
