"""Who may ask: this machine's browser that was opened with the token, and nobody else."""

from __future__ import annotations

import hmac
import secrets
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "media-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)


class Keys:
    """
    What opens the page: the token of the address, and the secret that it is changed for.

    The cookie never holds the token, and its name has the port, since a browser sends the
    cookies of one address to every port of it.

    Parameters
    ----------
    token : str
    host : str
        Address and port that requests must name.
    """

    def __init__(self, token: str, host: str) -> None:
        self.host = host
        self.cookie = f"bench_{host.rpartition(':')[2]}"
        self.secret = secrets.token_urlsafe(32)
        self._token = token

    def is_token(self, given: str) -> bool:
        """Whether it is the token, in a time that does not tell how much of it is right."""
        return _is_same(given, self._token)

    def is_known(self, cookies: str) -> bool:
        """Whether the secret is among the cookies of a request."""
        try:
            found = SimpleCookie(cookies).get(self.cookie)
        except CookieError:
            return False
        return found is not None and _is_same(found.value, self.secret)


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

        app = self._app if self._may_pass(scope) else PlainTextResponse("Not for you.\n", 403)
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


def _is_same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())
