"""What every group of pages has."""

from __future__ import annotations

from abc import ABC, abstractmethod

from starlette.routing import Route

from voicecheck.web.desk import Desk
from voicecheck.web.render import Renderer
from voicecheck.workflow.books import Where


class Pages(ABC):
    """
    A group of addresses and what answers them.

    Parameters
    ----------
    where : path, address or None
        Of the job book.
    renderer : Renderer
    desk : Desk
    """

    def __init__(self, where: Where, renderer: Renderer, desk: Desk) -> None:
        self._where, self._renderer, self._desk = where, renderer, desk

    @abstractmethod
    def list_routes(self) -> list[Route]:
        """What it answers."""
