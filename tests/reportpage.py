"""A report taken apart for tests: its tags, its text, its table."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Any

VOID = {"meta", "br", "img", "link", "input", "hr"}


class Page(HTMLParser):
    """A report taken apart: its tags, its text, its table; wrong nesting is an error."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: Any, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag: Any, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: Any) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: Any) -> None:
        if "style" in self.open:
            return
        self.text.append(data)
        if self.open and {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    def words(self) -> str:
        return " ".join(" ".join(self.text).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.tags if name == tag]
