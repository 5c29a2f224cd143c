"""The stream that keeps open pages true: work, meter, and what changed in the book."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from voicecheck.errors import VoicecheckError
from voicecheck.web.desk import Desk
from voicecheck.workflow.benches.locks import Busy, list_busy
from voicecheck.workflow.books import Where, open_book

LOOK_S, TICK_S, ALIVE_S = 0.5, 0.04, 10.0
MOST_STREAMS = 24
"""A browser holds six at most; a few browsers may look."""


class LoadingWatch:
    """
    Tells the desk when a browser loads a page, since the one before it lets go of its stream.

    Parameters
    ----------
    app : ASGI application
    desk : Desk
    """

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self._app, self._desk = app, desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on."""
        if scope["type"] == "http" and scope["method"] == "GET":
            headers = Headers(scope=scope)
            if "text/html" in headers.get("accept", "") and "hx-request" not in headers:
                self._desk.note_loading()
        await self._app(scope, receive, send)


class Live:
    """
    Tells open pages what happens.

    Parameters
    ----------
    where : path, address or None
        Of the job book.
    desk : Desk
    """

    def __init__(self, where: Where, desk: Desk) -> None:
        self._where, self._desk = where, desk
        self.busy: tuple[Busy, ...] = ()

    def stream(self, request: Request) -> Response:
        """One page's stream."""
        tab = request.query_params.get("tab", "")[:64]
        if not tab:
            raise HTTPException(400, "A stream needs a tab.")
        return _Stream(self._tell(), self._desk, tab)

    @contextlib.asynccontextmanager
    async def watch(self, _: Any) -> AsyncIterator[None]:
        """Watch pages and book for as long as the server runs; end the work with it."""
        watching = asyncio.create_task(self._watch())
        try:
            yield
        finally:
            watching.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await watching
            self._desk.stop()
            await run_in_threadpool(self._desk.wait, 5.0)

    async def _tell(self) -> AsyncIterator[bytes]:
        journal = self._desk.journal
        at, quiet_s = journal.end, 0.0
        yield b"retry: 500\n\n"
        while True:
            items, at = journal.read(at)
            for kind, data in items:
                yield _encode(kind, data)
            quiet_s = 0.0 if items else quiet_s + TICK_S
            if quiet_s >= ALIVE_S:
                quiet_s = 0.0
                yield b": alive\n\n"
            await asyncio.sleep(TICK_S)

    async def _watch(self) -> None:
        look = _BookLook(self._where)
        while True:
            self._desk.stop_if_alone()
            if self._desk.n_open:
                for topic in await run_in_threadpool(look.list_topics):
                    self._desk.journal.put(topic, {})
                busy = await run_in_threadpool(list_busy)
                if busy != self.busy:
                    self.busy = busy
                    self._desk.journal.put("work", {})
            await asyncio.sleep(LOOK_S)


class _Stream(StreamingResponse):
    """A stream that is counted in the moment it is let in, and until it ends in whatever way."""

    def __init__(self, content: AsyncIterator[bytes], desk: Desk, tab: str) -> None:
        super().__init__(content, media_type="text/event-stream")
        self._desk, self._tab = desk, tab

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._desk.n_open >= MOST_STREAMS:
            await PlainTextResponse("Too many pages are open.\n", 503)(scope, receive, send)
            return
        # Nothing else runs between the question and the count.
        self._desk.open_tab(self._tab)
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._desk.close_tab(self._tab)


class _BookLook:
    """Looks at the book now and then, whoever writes in it."""

    def __init__(self, where: Where) -> None:
        self._where = where
        self._marks: Any = None

    def list_topics(self) -> list[str]:
        """What changed since the last look: "jobs", "job-3", "types", "benches"."""
        try:
            with open_book(self._where) as book:
                marks, was = book.find_marks(), self._marks
                self._marks = marks
                if was is None or marks == was:
                    return []
                changed = book.list_changed_jobs(was)
        except VoicecheckError:
            # The page that is asked for next says what is wrong with the book.
            return []
        topics = [f"job-{number}" for number in changed]
        topics += ["jobs"] if changed else []
        topics += ["types"] if marks.types != was.types else []
        return topics + (["benches"] if marks.benches != was.benches else [])


def _encode(kind: str, data: Any) -> bytes:
    return b"data: %b\n\n" % msgspec.json.encode({"kind": kind, "data": data})
