"""What a user is told between the takes of a sweep on a real bench."""

from __future__ import annotations

import sys
import textwrap
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from voicecheck.cli.common import tell
from voicecheck.cli.keys import wait_for_key
from voicecheck.cli.screen import write_over

if TYPE_CHECKING:
    from voicecheck.cli.takeview import TakeView
    from voicecheck.records import Programme
    from voicecheck.records.terms import PathName
    from voicecheck.workflow.sweeping.seats import SeatReport, SeatRequest

WIDTH = 78


def wrap(text: str, first: str, then: str) -> str:
    """Paragraph that fits the screen, with what its first and its other lines begin with."""
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=then)


class TerminalAttendant:
    """
    Somebody at a terminal.

    Parameters
    ----------
    view : TakeView
        Taken off the screen before anything is said.
    is_asked : bool
        Whether to tell what to do and wait for a key; else only results are told.
    quiet : bool
    wait, pause : callable, optional
        Stand-ins for the keyboard and the clock.
    """

    def __init__(
        self,
        view: TakeView,
        *,
        is_asked: bool,
        quiet: bool = False,
        wait: Callable[[str], object] = wait_for_key,
        pause: Callable[[float], object] = time.sleep,
    ) -> None:
        self.is_asked = is_asked
        self._view, self._quiet = view, quiet
        self._wait, self._pause = wait, pause

    def prepare(self, programme: Programme, path: PathName) -> None:
        """See `Attendant`: a terminal shows no trace."""

    def follow(self, fraction: float, peak_dbfs: float) -> None:
        """See `Attendant`."""
        self._view.update(fraction, peak_dbfs)

    def note(self, line: str) -> None:
        """See `Attendant`."""
        tell(wrap(line, "  note: ", "        "), quiet=self._quiet)

    def ask(self, request: SeatRequest) -> None:
        """See `Attendant`."""
        tell(f"\n{request.title}")
        for number, step in enumerate(request.steps, 1):
            tell(wrap(step, f"  {number}  ", "     "))
        if request.caution:
            tell(wrap(request.caution, "  !  ", "     "))
        self._wait(f"Space or Enter: {request.button.lower()}; q to stop.")

    def settle(self, seconds: int, what: str) -> None:
        """See `Attendant`."""
        for left in range(seconds, 0, -1):
            write_over(sys.stderr, f"  {what}: {left} s ")
            self._pause(1.0)
        write_over(sys.stderr, " " * 40)
        write_over(sys.stderr, "")

    def begin(self, seat: int, n_seats: int) -> None:
        """See `Attendant`: the view of the take says it."""

    def report(self, report: SeatReport) -> bool:
        """See `Attendant`."""
        self._view.stop()
        tell(wrap(report.line, "  ", "     "), quiet=self._quiet)
        if self.is_asked:
            for line in (*report.problems, *report.advice):
                tell(wrap(line, "  >  ", "     "), quiet=self._quiet)
        return False
