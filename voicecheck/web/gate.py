"""Who may ask: this machine's browser that was opened with the token, and nobody else."""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "media-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)


TOKEN_S = 300.0
"""How long an address that was told may wait for its browser."""

STRANGER = (
    "The bench page does not know this browser: the program was started anew, or the address was "
    "used already.\nOpen the address that it told last; for a new one press Enter where it runs, "
    "or start `voicecheck page` again.\n"
)


class Keys:
    """
    What opens the page: a token for each address that is told, and the secret it is changed for.

    A token is good once and for five minutes. The cookie never holds it, and its name has the
    port, since a browser sends the cookies of one address to every port of it.

    Parameters
    ----------
    host : str
        Address and port that requests must name.
    clock : callable
        Seconds, for tests.
    """

    def __init__(self, host: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.host = host
        self.cookie = f"bench_{host.rpartition(':')[2]}"
        self._clock = clock
        self._lock = threading.Lock()
        self._invited = ("", 0.0)
        self._secrets: list[str] = []

    def invite(self, token: str = "") -> str:
        """A token for one browser; the one that was told before it is good no more."""
        token = token or secrets.token_urlsafe(32)
        with self._lock:
            self._invited = (token, self._clock() + TOKEN_S)
        return token

    def admit(self, given: str) -> str | None:
        """The secret of a new browser in exchange for a token, in a time that tells nothing."""
        with self._lock:
            token, end_s = self._invited
            if not token or not _is_same(given, token) or self._clock() >= end_s:
                return None
            self._invited = ("", 0.0)
            self._secrets.append(secrets.token_urlsafe(32))
            return self._secrets[-1]

    def is_known(self, cookies: str) -> bool:
        """Whether the secret of a browser that was let in is among the cookies of a request."""
        try:
            found = SimpleCookie(cookies).get(self.cookie)
        except CookieError:
            return False
        return found is not None and any(_is_same(found.value, one) for one in self._secrets)


class Gate:
    """Refuse what has not the host, the origin and the secret; put the policy on every answer."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self._app, self._keys = app, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with 403."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("content-security-policy", POLICY)
                headers.setdefault("cache-control", "no-store")
                headers["x-content-type-options"] = "nosniff"
                # "no-referrer" would make a browser send its forms with the origin "null".
                headers["referrer-policy"] = "same-origin"
            await send(message)

        app = self._app if self._may_pass(scope) else refuse_stranger()
        await app(scope, receive, send_guarded)

    def _may_pass(self, scope: Scope) -> bool:
        headers = Headers(scope=scope)
        if headers.getlist("host") != [self._keys.host]:
            return False
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{self._keys.host}":
            return False
        if scope["method"] not in {"GET", "HEAD"} and origin is None:
            return False
        is_coming_in = scope["method"] == "GET" and scope["path"] == "/enter"
        return is_coming_in or self._keys.is_known(headers.get("cookie", ""))


def refuse_stranger() -> Response:
    """What a browser that has not come in is told; its connection is closed with it."""
    return PlainTextResponse(STRANGER, 403, {"connection": "close"})


def _is_same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())
