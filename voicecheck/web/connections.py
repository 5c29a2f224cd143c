"""Connections that wait for nobody for ever."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_S, BODY_S = 10.0, 30.0
"""For the head of a request from its beginning, and for each further piece of its body."""

MOST_WAITING = 64
"""Connections without a whole request; a browser opens a handful ahead of its needs."""


class BoundedConnection(H11Protocol):
    """
    A connection that is closed when its request does not get on.

    Whoever sends half a request holds a place for ten seconds at most, and when there are too many
    such, the oldest gives way: so nobody on this machine can shut the user's own browser out.
    What has not come in by the token is refused with its first whole request.
    """

    def connection_made(self, transport: Any) -> None:
        """See `asyncio.Protocol`."""
        super().connection_made(transport)
        self._deadline: asyncio.TimerHandle | None = None
        self._state: Any = None
        self._since_s = self.loop.time()
        self._follow()
        waiting = [
            one
            for one in self.connections
            if isinstance(one, BoundedConnection) and one.conn.their_state is h11.IDLE
        ]
        if len(waiting) > MOST_WAITING:
            min(waiting, key=lambda one: one._since_s).transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """See `asyncio.Protocol`."""
        self._disarm()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """See `asyncio.Protocol`."""
        super().data_received(data)
        self._follow()

    def on_response_complete(self) -> None:
        """See `H11Protocol`."""
        super().on_response_complete()
        self._follow()

    def _follow(self) -> None:
        state, was = self.conn.their_state, self._state
        self._state = state
        if state is h11.IDLE and was is h11.IDLE:
            return
        self._disarm()
        seconds = {h11.IDLE: HEADER_S, h11.SEND_BODY: BODY_S}.get(state)
        if seconds is not None:
            self._since_s = self.loop.time()
            self._deadline = self.loop.call_later(seconds, self._give_up)

    def _give_up(self) -> None:
        if self.flow.read_paused:
            # It is this side that has not read on yet.
            self._deadline = self.loop.call_later(BODY_S, self._give_up)
            return
        self.transport.abort()

    def _disarm(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
