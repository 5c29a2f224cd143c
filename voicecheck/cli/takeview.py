"""What is seen while a take runs: how far it is, and the level with its marks."""

from __future__ import annotations

import math
import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING

from voicecheck.workflow.sweeping.seats import ENOUGH_DBFS, TOO_MUCH_DBFS, rate_level

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live

LOWEST_DBFS = -60.0
BAR_WIDTH = 44
HELD_S = 1.0


def draw_level(peak_dbfs: float, width: int = BAR_WIDTH) -> str:
    """
    A level as a bar of plain letters, with marks for enough and too much.

    Examples
    --------
    >>> draw_level(-30.0, 20)
    '#####|####.........|'
    """

    def find_column(level_dbfs: float) -> int:
        share = (level_dbfs - LOWEST_DBFS) / -LOWEST_DBFS
        return round(min(1.0, max(0.0, share)) * width)

    cells = ["#"] * find_column(peak_dbfs) + ["."] * (width - find_column(peak_dbfs))
    for mark in (ENOUGH_DBFS, TOO_MUCH_DBFS):
        cells[find_column(mark)] = "|"
    return "".join(cells)


class TakeView:
    """
    Progress and level of the running take on a terminal; silent elsewhere.

    Parameters
    ----------
    quiet : bool
    console : rich.console.Console, optional
        Standard error if left out.
    """

    def __init__(self, *, quiet: bool = False, console: Console | None = None) -> None:
        self.is_shown = not quiet and (console is not None or sys.stderr.isatty())
        self._console = console
        self._live: Live | None = None
        self._held: list[tuple[float, float]] = []
        self._began_s = 0.0
        self._fraction = 0.0

    def __enter__(self) -> TakeView:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def update(self, fraction: float, peak_dbfs: float) -> None:
        """Show how much of the take is done, and the peak of the input since the last call."""
        if not self.is_shown:
            return
        now_s = time.monotonic()
        live = self._live
        if live is None or fraction < self._fraction:
            live = self._start(now_s)
        self._fraction = fraction
        self._held = [pair for pair in self._held if now_s - pair[0] < HELD_S]
        self._held.append((now_s, peak_dbfs))
        live.update(self.render(now_s), refresh=True)

    def stop(self) -> None:
        """Take it off the screen."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def render(self, now_s: float) -> str:
        """Text of two lines."""
        done = min(BAR_WIDTH, round(self._fraction * BAR_WIDTH))
        spent_s = now_s - self._began_s
        left = ""
        if self._fraction > 0.05:
            left_s = spent_s / self._fraction - spent_s
            left = f"{math.ceil(max(0.0, left_s)):3d} s left"
        peak_dbfs = max(level for _, level in self._held)
        shown_dbfs = max(LOWEST_DBFS, peak_dbfs)
        bar = "=" * done + "." * (BAR_WIDTH - done)
        return (
            f"  take   {bar} {100 * self._fraction:3.0f} % {left}\n"
            f"  level  {draw_level(peak_dbfs)} {shown_dbfs:5.0f} dBFS {rate_level(peak_dbfs)}"
        )

    def _start(self, now_s: float) -> Live:
        from rich.console import Console
        from rich.live import Live

        self.stop()
        console = self._console or Console(stderr=True, highlight=False, markup=False)
        self._held, self._began_s, self._fraction = [], now_s, 0.0
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._live.start()
        return self._live
