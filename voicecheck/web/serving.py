"""Serving the page on the loopback address."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from typing import TYPE_CHECKING

from voicecheck.errors import InputError

if TYPE_CHECKING:
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
    except ModuleNotFoundError as error:
        raise InputError(
            f"page: {error.name} is not there; install it with `pip install 'voicecheck[page]'`"
        ) from None
    with open_listener(port) as listener:
        token = secrets.token_urlsafe(32)
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        address = f"http://{host}/enter?token={token}"
        tell(f"The bench page is at {address} (Ctrl-C ends it)")
        if opens_browser:
            webbrowser.open(address)
        # Without a limit an open stream would keep the server from ever leaving.
        config = uvicorn.Config(
            make_app(book, token, host), log_level="critical", timeout_graceful_shutdown=1
        )
        uvicorn.Server(config).run(sockets=[listener])


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
