# mypy: disable-error-code="attr-defined"
"""
Every page that a link leads to, of a book whose every word is hostile, beside one of plain words.

The pages are found by their own links, as a browser would; whatever words are in the book, a page
must consist of the same kinds of elements and attributes. Sources: HTML Living Standard, section
13.1.2 (elements and attributes); RFC 3986 for what an address is.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urljoin, urlsplit
from xml.etree import ElementTree

import pytest
import telling
from pagetest import HOST, HOSTILE, ORIGIN, TOKEN, fill_with, invite
from starlette.routing import Match
from starlette.testclient import TestClient

from voicecheck.records.benches import BenchSetup
from voicecheck.web.app import make_app
from voicecheck.workflow.benches.store import add_setup
from voicecheck.workflow.books import open_book
from voicecheck.workflow.scripts import Book

PLAIN = ("plain words", "more plain words")
"""Two, since a job with an open hazard and one without have other parts."""
TERMINAL = "x\x1b[2J\x07\x08\x9b31m\u202egnp\u2066\u2028\x7fé"
MARKUP = (
    '"><svg/onload=alert(1)>',
    "</title></textarea></style></script><script>alert(1)</script>",
    "' autofocus onfocus=alert(1) x='",
    "<a href=javascript:alert(1)>&lt;&#106;</a>]]><!--",
    TERMINAL,
)
LINKS = {"href", "src", "hx-get", "data-source"}
ADDRESSES = {
    "action",
    "formaction",
    "hx-post",
    "poster",
    "background",
    "xlink:href",
    "data",
    "ping",
}
NOT_LINKED = {"/enter", "/events"}
"""The way in, and the stream, which a script opens."""
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c63606060f80f0001040100"
    "5fe5c34b0000000049454e44ae426082"
)
MOST_OF_A_KIND = 20
MOST_OF_SLOW = {
    "report": 3,
    "job.zip": 2,
    "slip": 3,
    "static": 3,
    "curves": 3,
    "trials": 9,
}
"""Pages of one route that are asked for; each text has a job, a set and a type of its own."""


class Parts(HTMLParser):
    """Elements with their attributes, the links among them, and all text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.kinds: set[tuple[str, str]] = set()
        self.links: list[str] = []
        self.others: list[str] = []
        self.text = ""
        self._action, self._fields = "", {"": ""}
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form":
            self._action = given.get("action") or "" if given.get("method") != "post" else ""
            self._fields = {}
        if tag == "input" and given.get("type") == "hidden":
            self._fields[given["name"] or ""] = given["value"] or ""
        for name, value in [("", None), *attrs]:
            self.kinds.add((tag, name))
            if value and name in LINKS:
                self.links.append(value)
            elif value and name in ADDRESSES:
                self.others.append(value)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form" and self._action:
            self.links.append(f"{self._action}?{urlencode(self._fields)}")

    def handle_data(self, data: str) -> None:
        self.text += data


@dataclass
class Walk:
    """What a walk over all pages met."""

    statuses: dict[str, int] = field(default_factory=dict)
    kinds: dict[str, set[tuple[str, str]]] = field(default_factory=lambda: defaultdict(set))
    addresses: list[str] = field(default_factory=list)
    headers: set[str] = field(default_factory=set)
    n_asked: Counter[str] = field(default_factory=Counter)
    lost: dict[str, str] = field(default_factory=dict)
    text: str = ""

    def walk(self, client: TestClient) -> None:
        """From the first page on, wherever a link leads."""
        waiting, met = ["/"], {"/"}
        while waiting:
            path = waiting.pop(0)
            route = find_route(client.app, urlsplit(path).path)
            # Paper is made of the same report as the page, and takes seconds.
            if route in NOT_LINKED or path.endswith(".pdf"):
                continue
            self.n_asked[route] += 1
            limits = [most for part, most in MOST_OF_SLOW.items() if part in route]
            if self.n_asked[route] > min(limits, default=MOST_OF_A_KIND):
                continue
            answer = client.get(path, follow_redirects=False)
            self.statuses[path] = answer.status_code
            if answer.status_code not in {200, 303}:
                self.lost[path] = Parts(answer.text).text
            self.headers |= set(answer.headers)
            for link in self.read(route, answer):
                whole = urlsplit(urljoin(f"http://{HOST}{path}", link))
                # Where a browser would go, and no further: another host is looked at by the test.
                there = whole.path + (f"?{whole.query}" if whole.query else "")
                if whole.netloc == HOST and there not in met:
                    met.add(there)
                    waiting.append(there)

    def read(self, route: str, answer: Any) -> list[str]:
        """Links of a page; anything else is only read as what it says it is."""
        kind = answer.headers.get("content-type", "").partition(";")[0]
        if kind == "image/svg+xml":
            root = ElementTree.fromstring(answer.text)
            self.kinds[route] |= {(one.tag, name) for one in root.iter() for name in one.attrib}
        if kind == "application/json":
            answer.json()
        if kind != "text/html":
            return []
        parts = Parts(answer.text)
        self.kinds[route] |= parts.kinds
        self.addresses += parts.links + parts.others
        self.text += parts.text
        return parts.links


def find_route(app: Any, path: str) -> str:
    """The pattern that answers a path."""
    scope = {"type": "http", "method": "GET", "path": path, "headers": []}
    found = (one.path for one in app.routes if one.matches(scope)[0] is Match.FULL)
    return next(found, "none")


def fill(folder: Path, texts: tuple[str, ...]) -> Path:
    """A book with something for every page to show, all of it in these words."""
    telling.fill_book(folder, n_good=3)
    with open_book(folder) as book:
        for text in texts:
            number = fill_with(book, text)
            name = re.sub(r"[/\0]", "_", text)[:100] + ".png"
            (file := folder.parent / name).write_bytes(PIXEL)
            book.attach_file(number, file)
            add_setup(book, BenchSetup(name=text, device=text, input_device=text))
        # Nothing is measured while a hazard is open.
        (hazard,) = (one for one in book.load_job(number).work if one.is_open_hazard)
        book.answer_hazard(number, hazard.number, text)
        job = Book(book).jobs[number]
        for stage, seed in (("before", 1), ("after", 2)):
            job.sweep(simulated="carbon", seats=1, seed=seed, stage=stage)
        job.compare("before", stage="after")
    for check, made, stage in (
        ("dial", "bouncing", "before"),
        ("speak", "quiet", "before"),
        ("speak", "loud", "after"),
    ):
        telling.call(check, number, "--simulated", made, "--stage", stage, book=folder)
    return folder


def walk(folder: Path, texts: tuple[str, ...]) -> Walk:
    app, found = make_app(fill(folder, texts), invite(HOST)), Walk()
    with TestClient(app, base_url=f"http://{HOST}", headers=ORIGIN) as client:
        client.get("/enter", params={"token": TOKEN})
        found.walk(client)
        routes = {one.path for one in app.routes if "GET" in (one.methods or ())}
        reached = {find_route(app, urlsplit(path).path) for path in found.statuses}
        assert routes - reached <= NOT_LINKED, "a page that no link leads to"
    return found


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Walk:
    return walk(tmp_path_factory.mktemp("plain") / "book", PLAIN)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Walk:
    return walk(tmp_path_factory.mktemp("hostile") / "book", (*HOSTILE, *MARKUP))


@pytest.fixture(params=["plain", "hostile"])
def walked(request: pytest.FixtureRequest) -> Walk:
    return request.getfixturevalue(request.param)  # type: ignore[no-any-return]


def test_every_link_leads_somewhere(walked: Walk) -> None:
    """But to the sound of a run that never had one, and to a report of nothing: that is said."""
    said = re.compile("has no recording of seat|has no run or check to report|nothing to report")
    assert {path: text[-300:] for path, text in walked.lost.items() if not said.search(text)} == {}
    assert set(walked.statuses.values()) <= {200, 303, 404}


def test_hostile_words_make_no_element_and_no_attribute(plain: Walk, hostile: Walk) -> None:
    for route, kinds in hostile.kinds.items():
        assert kinds - plain.kinds[route] == set(), route
    assert not {name for kinds in hostile.kinds.values() for _, name in kinds if name[:2] == "on"}


def test_no_address_leads_away_or_is_a_script(walked: Walk) -> None:
    for address in walked.addresses:
        whole = urlsplit(urljoin(f"http://{HOST}/", address))
        is_ours = whole.scheme == "http" and whole.netloc == HOST
        # No icon is one that is empty.
        is_inside = address.startswith(("data:image/", "data:audio/")) or address == "data:,"
        assert is_ours or is_inside, address[:200]


def test_no_word_becomes_a_header(plain: Walk, hostile: Walk) -> None:
    assert hostile.headers - plain.headers == set()


@pytest.mark.parametrize("text", [*HOSTILE, *MARKUP])
def test_what_was_typed_stands_there_as_it_was_typed(hostile: Walk, text: str) -> None:
    """A browser makes one space of many, and a page leaves the ends of lines as they are."""
    words = re.sub(r"\s+", " ", text)
    assert words[:40] in re.sub(r"\s+", " ", hostile.text)
