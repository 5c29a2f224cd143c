"""The bench page: connections that do not get on, and streams, each as a raw socket."""

import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from pagetest import Place, fill_book, serve_here

from voicecheck.web import connections
from voicecheck.web.live import MOST_STREAMS

HALF = {
    "nothing": b"",
    "half a line": b"GET / HT",
    "half a head": b"GET / HTTP/1.1\r\nHost: x\r\nX: ",
}


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    with serve_here(fill_book(tmp_path)) as (address, _):
        yield Place(address)


def is_closed(line: socket.socket) -> bool:
    try:
        return line.recv(1000) == b""
    except ConnectionResetError:
        return True


@pytest.mark.parametrize("sent", HALF.values(), ids=HALF)
def test_half_a_request_is_not_waited_for(
    place: Place, sent: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "HEADER_S", 0.3)
    with place.dial(sent) as line:
        assert is_closed(line)


def test_a_head_that_comes_in_drops_is_not_waited_for(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each drop would be in time; the whole is not."""
    monkeypatch.setattr(connections, "HEADER_S", 0.5)
    with place.dial(b"GET / HTTP/1.1\r\n") as line:
        line.settimeout(0.05)
        for _ in range(400):
            try:
                line.sendall(b"X: y\r\n")
                if line.recv(1000) == b"":
                    return
            except TimeoutError:
                continue
            except (ConnectionResetError, BrokenPipeError):
                return
    pytest.fail("still open")


def test_a_body_that_stops_is_not_waited_for(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "BODY_S", 0.3)
    head = (
        f"POST /jobs/1/note HTTP/1.1\r\nHost: {place.host}\r\nOrigin: http://{place.host}\r\n"
        f"Cookie: {place.cookie}\r\nContent-Type: application/x-www-form-urlencoded\r\n"
        "Content-Length: 100\r\n\r\ntext=half"
    )
    with place.dial(head.encode()) as line:
        assert is_closed(line)


def test_who_has_not_come_in_keeps_no_connection(place: Place) -> None:
    head = f"POST / HTTP/1.1\r\nHost: {place.host}\r\nContent-Length: 100\r\n\r\nhalf"
    with place.dial(head.encode()) as line:
        told = b""
        while piece := line.recv(10_000):
            told += piece
    assert told.startswith(b"HTTP/1.1 403")


def test_a_crowd_of_half_requests_does_not_shut_the_browser_out(place: Place) -> None:
    with ExitStack() as held:
        crowd = [held.enter_context(place.dial(b"GET / HTTP/1.1\r\n")) for _ in range(300)]
        assert place.ask("/jobs/1").status == 200
        n_closed = sum(map(is_closed, crowd[: 300 - connections.MOST_WAITING - 1]))
        assert n_closed == 300 - connections.MOST_WAITING - 1


def test_streams_are_counted_when_they_are_let_in(place: Place) -> None:
    with ExitStack() as held:
        lines = [
            held.enter_context(
                place.dial(
                    f"GET /events?tab=t{n} HTTP/1.1\r\nHost: {place.host}\r\n"
                    f"Cookie: {place.cookie}\r\n\r\n".encode()
                )
            )
            for n in range(MOST_STREAMS + 7)
        ]
        told: list[Any] = [line.recv(12) for line in lines]
    assert told.count(b"HTTP/1.1 200") == MOST_STREAMS
    assert told.count(b"HTTP/1.1 503") == 7
