"""Who may ask: this machine's browser that was opened with the token, and nobody else."""

from __future__ import annotations

import hmac
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "bench_key"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class Gate:
    """Refuse what has not the host, the origin and the token; put the policy on every answer."""

    def __init__(self, app: ASGIApp, token: str, host: str) -> None:
        self._app, self._token, self._host = app, token, host

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
        if headers.getlist("host") != [self._host]:
            return False
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{self._host}":
            return False
        if scope["method"] not in {"GET", "HEAD"} and origin is None:
            return False
        return scope["path"] == "/enter" or self.is_token(_read_cookie(headers.get("cookie", "")))

    def is_token(self, given: str) -> bool:
        """Whether it is the token, in a time that does not tell how much of it is right."""
        return hmac.compare_digest(given.encode(), self._token.encode())


def _read_cookie(text: str) -> str:
    try:
        found = SimpleCookie(text).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""
