"""
Raw requests that nobody should send to the bench page, drawn from a seed; `raw_page.py` sends them.

What must be answered, or refused, is stated with each (RFC 9112 for what a request is).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from pagetest import Place

PAGES = (
    "/", "/?search=hall", "/jobs/1", "/sets", "/types", "/type?name=Lakeside+4", "/benches",
    "/help",
    "/meter", "/desk", "/jobs/1/list", "/jobs/1/trials", "/static/page.js",
)  # fmt: skip
WELL, REFUSED = frozenset({200}), frozenset({400, 403, 404, 405, 413, 431})
STRAY = b"text=smuggled"
PARTS = (
    "..", "%2e%2e", "%2E%2e", "..%2f", "..%5c", "%252e%252e", "..;", "%c0%ae%c0%ae", ".%00.",
    "....//",
    "/", "%2f%2f", "~root", "C:", "\\\\host\\share",
)  # fmt: skip
METHODS = (
    "TRACE", "CONNECT", "OPTIONS", "PROPFIND", "get", "G\tET", "", "GET" * 3000, "BREW", "PATCH",
    "DELETE",
)  # fmt: skip
VERSIONS = ("HTTP/0.9", "HTTP/1.2", "HTTP/2.0", "HTTP/9.9", "HTTP/1.1.1", "http/1.1", "", "ICY")
CLAIMS = ("-1", "+5", "0x5", "5,5", "5, 6", "9" * 30, "", "5 5", "٥", "1e1")
CODINGS = ("chunked, identity", "xchunked", "chunked\r\nTransfer-Encoding: chunked",
"\x0bchunked",
           "identity", "gzip, chunked", "CHUNKED ", "chunked;q=1")  # fmt: skip
CHUNKS = (
    b"zz\r\nab\r\n0\r\n\r\n", b"-1\r\na\r\n0\r\n\r\n", b"ffffffffffffffff\r\na",
    b"5\r\nab\r\n0\r\n\r\n",
    b"2;" + b"x" * 70_000 + b"\r\nab\r\n0\r\n\r\n", b"2\nab\n0\n\n", b"0x2\r\nab\r\n0\r\n\r\n",
    b"\r\n\r\n",
    b"2\r\nabX\r\n0\r\n\r\n", b"0\r\nX: y\r\nX\0: y\r\n\r\n", b"1\r\na\r\n" * 3000 + b"0\r\n\r\n",
    b"0\r\n" + b"X: y\r\n" * 20_000 + b"\r\n", b" 2\r\nab\r\n0\r\n\r\n", b"2 \r\nab\r\n0\r\n\r\n",
)  # fmt: skip
ODD = (
    ("Expect", "100-continue"), ("Expect", "200-ok"), ("Range", "bytes=0-0,-1,5-2,9999999999-"),
    ("Range", "bytes=" + "0-1," * 5000), ("If-Modified-Since", "never"), ("If-None-Match",
    '"' * 99),
    ("Upgrade", "websocket"), ("Upgrade", "h2c"), ("HTTP2-Settings", "AAMAAABkAAQ"),
    ("Accept", "*" * 5000), ("Accept-Language", ",;q=" * 900), ("Referer", "//[::1"),
    ("HX-Request", "\xff"),
    ("Referer", "http://[x"), ("X-Forwarded-Host", "elsewhere.example"), ("X-Stays", "\x80"),
    ("Accept-Encoding", "gzip;q=nan"), ("Cookie", "a=" + "b" * 9000), ("Cookie",
    "\"\\400\"; =; ;;x=\xe9"),
    ("X-HTTP-Method-Override", "DELETE"), ("Content-Type", "multipart/form-data"), ("Keep-Alive",
    "max=-1"),
)  # fmt: skip
STREAMS = (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
b"\0" * 3000,
           b"\r\n" * 3000, b"EHLO elsewhere.example\r\n", b"\xff" * 70_000,
           b" GET / HTTP/1.1\r\n\r\n",
           b"GET / HTTP/1.1\rHost: x\r\r", b"*1\r\n$4\r\nPING\r\n", b"a" * 200_000)  # fmt: skip


@dataclass(frozen=True)
class Raw:
    """
    What is sent, and how it must end.

    `allowed` are the statuses of all its answers, `None` for any below 500; `n_answers` how many
    answers there must be, `None` for any number; `then` is "read", "reset" or "leave".
    """

    kind: str
    data: bytes
    allowed: frozenset[int] | None = None
    n_answers: int | None = None
    then: str = "read"
    drops: tuple[int, ...] = ()


class Maker:
    """Requests for one page, drawn from a seed."""

    def __init__(self, place: Place, draw: Random) -> None:
        self._draw = draw
        self._host, self._cookie = place.host, place.cookie
        self._kinds: tuple[Callable[[], Raw], ...] = (
            self.well, self.pipelined, self.stranger, self.other_host, self.other_origin,
            self.climbing,
            self.smuggled, self.huge, self.badly_chunked, self.odd_method, self.odd_headers,
            self.stream,
            self.spoilt, self.half, self.dropwise, self.written,
        )  # fmt: skip

    def make(self, number: int) -> Raw:
        """Each kind in turn."""
        return self._kinds[number % len(self._kinds)]()

    def head(self, first: str, *more: str, host: str | None = None, cookie: bool = True) -> bytes:
        """A head with host and cookie as they should be, and what is added."""
        lines = [first, f"Host: {self._host}" if host is None else host]
        lines += [f"Cookie: {self._cookie}"] if cookie else []
        text = "\r\n".join((*filter(None, lines), *more, "", ""))
        return text.encode("utf-8", "surrogateescape")

    def get(self, *more: str, path: str = "") -> bytes:
        return self.head(f"GET {path or self._draw.choice(PAGES)} HTTP/1.1", *more)

    def post(
        self, body: bytes, *more: str, origin: str | None = None, length: bool = True
    ) -> bytes:
        """A note as the page's form writes it, with a job that no page asked for shows."""
        lines = [f"Origin: http://{self._host}" if origin is None else origin, *more]
        lines += [f"Content-Length: {len(body)}"] if length else []
        lines += ["Content-Type: application/x-www-form-urlencoded", "Connection: close"]
        return self.head("POST /jobs/2/note HTTP/1.1", *filter(None, lines)) + body

    def well(self) -> Raw:
        return Raw("well", self.get("Connection: close"), WELL, 1)

    def written(self) -> Raw:
        return Raw("written", self.post(b"text=in+order"), frozenset({200, 303}), 1)

    def pipelined(self) -> Raw:
        n = self._draw.randint(2, 8)
        data = b"".join(self.get() for _ in range(n - 1)) + self.get("Connection: close")
        return Raw("pipelined", data, WELL, n)

    def stranger(self) -> Raw:
        cookies = ("", "Cookie: bench=1", f"Cookie: {self._cookie}x", f"Cookie: x{self._cookie}",
                   f"Cookie: {self._cookie.partition('=')[0]}=",
                   "Cookie: " + ";" * 900)  # fmt: skip
        cookie = self._draw.choice(cookies)
        path = self._draw.choice(
            (*PAGES, "/nowhere", "/enter?token=" + "a" * 43, "/jobs/1/job.zip")
        )
        data = self.head(f"GET {path} HTTP/1.1", *filter(None, [cookie]), cookie=False)
        return Raw("stranger", data, frozenset({403}), 1)

    def other_host(self) -> Raw:
        right = f"Host: {self._host}"
        port = self._host.rpartition(":")[2]
        host = self._draw.choice(
            (
                "Host: elsewhere.example", f"Host: localhost:{port}", "Host:",
                f"{right}\r\n{right}",
                f"{right}\r\nHost: elsewhere.example", f"{right}.", f"Host: x@{self._host}",
                f"Host: {self._host}, elsewhere.example", "X-Forwarded-Host: x",
                f"Host: [::1]:{port}",
                f"Host: 127.0.0.1.elsewhere.example:{port}", f"Host: 127.1:{port}",
            )
        )  # fmt: skip
        return Raw(
            "other host", self.head("GET / HTTP/1.1", "Connection: close", host=host), REFUSED
        )

    def other_origin(self) -> Raw:
        right = f"Origin: http://{self._host}"
        origin = self._draw.choice(
            (
                "X: no origin", "Origin: null", "Origin:", "Origin: http://elsewhere.example",
                f"Origin: https://{self._host}", f"{right}.elsewhere.example", f"{right}/",
                "Origin: http://elsewhere.example\r\n" + right, f"Origin: http://x@{self._host}",
            )
        )  # fmt: skip
        return Raw("other origin", self.post(STRAY, origin=origin), REFUSED)

    def climbing(self) -> Raw:
        start = self._draw.choice(
            ("/static/", "/jobs/1/report/", "/help/", "/jobs/1/files/" + "0" * 64 + "/", "/")
        )
        parts = (self._draw.choice(PARTS) for _ in range(self._draw.randint(1, 9)))
        path = (
            start
            + "/".join(parts)
            + self._draw.choice(("/etc/passwd", "%2fetc%2fpasswd", "/book.db"))
        )
        if self._draw.random() < 0.1:
            path = self._draw.choice(("file:///etc/passwd", f"http://elsewhere.example{path}", "*"))
        return Raw("climbing", self.get("Connection: close", path=path), REFUSED)

    def smuggled(self) -> Raw:
        """Two lengths, or none that can be: one answer or a refusal, never a second request."""
        inner = self.post(STRAY, origin="Origin: http://elsewhere.example")
        chunked = b"0\r\n\r\n" + inner
        way = self._draw.randrange(4)
        if way == 0:
            lines = [f"Content-Length: {self._draw.choice(CLAIMS)}"]
        elif way == 1:
            lines = [f"Content-Length: {len(chunked)}", "Transfer-Encoding: chunked"]
        elif way == 2:
            lines = ["Content-Length: 5", f"Content-Length: {len(chunked)}"]
        else:
            name = self._draw.choice(
                ("Transfer-Encoding", "Transfer-Encoding ", "\tTransfer-Encoding")
            )
            lines = [f"{name}: {self._draw.choice(CODINGS)}", "Content-Length: 5"]
        if self._draw.random() < 0.2:
            lines.append(" folded: " + "x" * self._draw.randint(0, 50))
        return Raw("smuggled", self.post(chunked, *lines, length=False))

    def huge(self) -> Raw:
        way = self._draw.randrange(4)
        size = self._draw.choice((20_000, 66_000, 300_000, 3_000_000))
        if way == 0:
            data = self.get(f"X: {'y' * size}", "Connection: close")
        elif way == 1:
            data = self.get(*(f"X{number}: y" for number in range(size // 10)), "Connection: close")
        elif way == 2:
            data = self.get("Connection: close", path="/?search=" + "a" * size)
        else:
            data = self.post(b"text=" + b"large" * (size // 5))
        return Raw("huge", data)

    def badly_chunked(self) -> Raw:
        body = self._draw.choice(CHUNKS)
        return Raw("badly chunked", self.post(body, "Transfer-Encoding: chunked", length=False))

    def odd_method(self) -> Raw:
        method, version = self._draw.choice(METHODS), "HTTP/1.1"
        if self._draw.random() < 0.4:
            method, version = "GET", self._draw.choice(VERSIONS)
        path = self._draw.choice(
            (*PAGES, "*", "elsewhere.example:443", "//elsewhere.example/", "/ /", "/\x7f")
        )
        data = self.head(f"{method} {path} {version}", "Connection: close")
        return Raw("odd method", data)

    def odd_headers(self) -> Raw:
        chosen = self._draw.sample(ODD, self._draw.randint(1, 4))
        lines = [f"{name}: {value}" for name, value in chosen]
        data = self.get(*lines) if self._draw.random() < 0.5 else self.post(b"text=odd", *lines)
        return Raw("odd headers", data)

    def stream(self) -> Raw:
        data = self._draw.choice((*STREAMS, self._draw.randbytes(self._draw.randint(1, 5000))))
        return Raw("no request", data)

    def spoilt(self) -> Raw:
        """A good one with a few bytes changed; its note would be known by its words."""
        good = self._draw.choice((self.get("Connection: close"), self.post(b"text=spoilt")))
        data = bytearray(good)
        for _ in range(self._draw.randint(1, 6)):
            data[self._draw.randrange(len(data))] = self._draw.choice((0, 10, 13, 32, 58, 255, 65))
        return Raw("spoilt", bytes(data))

    def half(self) -> Raw:
        whole = self._draw.choice((self.get(), self.post(STRAY), self.pipelined().data))
        cut = self._draw.randrange(1, len(whole) - len(STRAY))
        then = self._draw.choice(("read", "reset", "leave"))
        return Raw("half", whole[:cut], then=then)

    def dropwise(self) -> Raw:
        """A good one in a few pieces; on a busy machine it may come too slowly to be answered."""
        data = self.get("Connection: close")
        cuts = sorted(self._draw.randrange(1, len(data)) for _ in range(4))
        return Raw("in drops", data, WELL, drops=tuple(cuts))
