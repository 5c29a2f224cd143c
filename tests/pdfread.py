"""A PDF taken apart for tests: objects, tag tree, metadata; only what a report needs."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

TOKEN = re.compile(
    rb"\s*(?:(?P<ref>\d+\s+\d+\s+R\b)|(?P<number>[+-]?\d*\.?\d+)|/(?P<name>[^\s/<>\[\]()]*)"
    rb"|(?P<open><<|\[)|(?P<close>>>|\])|<(?P<hex>[0-9A-Fa-f\s]*)>|(?P<text>\()|(?P<word>[a-z]+))"
)
ESCAPES = {b"n": b"\n", b"r": b"\r", b"t": b"\t"}


@dataclass(frozen=True)
class Reference:
    """An object by its number."""

    number: int


class Name(str):
    """A name, as /H1, without its stroke."""

    __slots__ = ()


@dataclass
class Pdf:
    """Objects of a file by number, and the dictionaries that a reader starts from."""

    objects: dict[int, Any] = field(default_factory=dict)
    catalog: dict[str, Any] = field(default_factory=dict)
    info: dict[str, Any] = field(default_factory=dict)
    metadata: bytes = b""

    def resolve(self, value: Any) -> Any:
        """What a reference points at; anything else as it is."""
        return self.objects[value.number] if isinstance(value, Reference) else value

    def walk(self, element: Any) -> Iterator[dict[str, Any]]:
        """Elements of the tag tree below one, in reading order."""
        kids = self.resolve(element.get("K", []))
        for kid in kids if isinstance(kids, list) else [kids]:
            found = self.resolve(kid)
            if isinstance(found, dict) and "S" in found:
                yield found
                yield from self.walk(found)

    def read_kind(self, element: dict[str, Any]) -> str:
        """H1, Table, Figure and so on."""
        return str(element["S"])


def read_pdf(content: bytes) -> Pdf:
    """Take a file apart."""
    pdf, trailers = Pdf(), []
    for match in re.finditer(rb"(\d+) 0 obj\s(.*?)\sendobj", content, re.DOTALL):
        head, _, stream = match[2].partition(b"stream\n")
        value = _parse(head)
        pdf.objects[int(match[1])] = value
        if not stream:
            continue
        data = stream.rpartition(b"\nendstream")[0]
        data = zlib.decompress(data) if value.get("Filter") == "FlateDecode" else data
        kind = value.get("Type")
        if kind == "ObjStm":
            _read_packed(pdf, value, data)
        elif kind == "XRef":
            trailers.append(value)
        elif kind == "Metadata":
            pdf.metadata = data
    trailers += [_parse(one) for one in re.findall(rb"trailer\s(<<.*?>>)\s", content, re.DOTALL)]
    pdf.catalog = pdf.resolve(trailers[-1]["Root"])
    pdf.info = pdf.resolve(trailers[-1]["Info"])
    return pdf


def _read_packed(pdf: Pdf, head: dict[str, Any], data: bytes) -> None:
    first, numbers = int(head["First"]), [int(one) for one in data[: int(head["First"])].split()]
    for number, start in zip(numbers[::2], numbers[1::2], strict=True):
        pdf.objects[number] = _parse(data[first + start :])


def _parse(data: bytes) -> Any:
    return _parse_at(data, 0)[0]


def _parse_at(data: bytes, place: int) -> tuple[Any, int]:
    match = TOKEN.match(data, place)
    assert match is not None, data[place : place + 40]
    end = match.end()
    if match["open"]:
        return _parse_many(data, end, is_map=match["open"] == b"<<")
    if match["text"]:
        return _parse_text(data, end)
    return _parse_plain(match), end


def _parse_plain(match: re.Match[bytes]) -> Any:
    """What has nothing inside it."""
    if match["ref"]:
        return Reference(int(match["ref"].split()[0]))
    if match["number"]:
        return float(match["number"])
    if match["name"] is not None:
        return Name(match["name"].decode())
    if match["hex"] is not None:
        return _decode(bytes.fromhex(match["hex"].decode()))
    return {b"true": True, b"false": False}.get(match["word"])


def _parse_many(data: bytes, place: int, *, is_map: bool) -> tuple[Any, int]:
    values: list[Any] = []
    while True:
        match = TOKEN.match(data, place)
        assert match is not None, data[place : place + 40]
        if match["close"]:
            pairs = zip(values[::2], values[1::2], strict=True) if is_map else ()
            return (dict(pairs) if is_map else values), match.end()
        value, place = _parse_at(data, place)
        values.append(value)


def _parse_text(data: bytes, place: int) -> tuple[str, int]:
    found, depth = bytearray(), 1
    while True:
        byte = data[place : place + 1]
        if byte == b"\\":
            follows = data[place + 1 : place + 2]
            found += ESCAPES.get(follows, follows)
            place += 2
            continue
        depth += {b"(": 1, b")": -1}.get(byte, 0)
        place += 1
        if depth == 0:
            return _decode(bytes(found)), place
        found += byte


def _decode(text: bytes) -> str:
    return text[2:].decode("utf-16-be") if text[:2] == b"\xfe\xff" else text.decode("latin-1")
