"""What a user is told between the takes of a sweep on a real bench."""

from __future__ import annotations

import sys
import textwrap
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from voicecheck.cli.common import tell
from voicecheck.cli.keys import wait_for_key
from voicecheck.errors import RecordingError
from voicecheck.workflow.sweeping.seats import (
    SETTLE_S,
    TURN_OVER,
    get_seat_caution,
    is_fed,
    list_seat_steps,
    needs_conditioning,
)

if TYPE_CHECKING:
    from voicecheck.cli.takeview import TakeView
    from voicecheck.records import Measurement
    from voicecheck.records.benches import BenchSetup

WIDTH = 78


def wrap(text: str, first: str, then: str) -> str:
    """Paragraph that fits the screen, with what its first and its other lines begin with."""
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=then)


class SeatGuide:
    """
    Guidance around each seat.

    Parameters
    ----------
    path, transmitter : str
    feed_ma : float
    view : TakeView
        Taken off the screen before anything is said.
    setup : BenchSetup, optional
        `None` for a bare sound device.
    waits : bool
        Whether to tell what to do and wait for a key; else only results are told.
    quiet : bool
    wait, pause : callable, optional
        Stand-ins for the keyboard and the clock.
    """

    def __init__(
        self,
        path: str,
        transmitter: str,
        *,
        feed_ma: float,
        view: TakeView,
        setup: BenchSetup | None = None,
        waits: bool,
        quiet: bool = False,
        wait: Callable[[str], object] = wait_for_key,
        pause: Callable[[float], object] = time.sleep,
    ) -> None:
        self.path, self.transmitter, self.feed_ma = path, transmitter, feed_ma
        self.setup, self.view = setup, view
        self.waits, self.quiet = waits, quiet
        self._wait, self._pause = wait, pause
        self._done: list[Measurement] = []

    @property
    def measured_path(self) -> str:
        """The contract's path whose numbers are told; that of "both" is transmit."""
        return "transmit" if self.path == "both" else self.path

    def before_seat(self, seat: int, n_seats: int) -> None:
        """Say what to do now, and wait until it is done."""
        if not self.waits:
            return
        where = f" - {self.setup.name}" if self.setup else ""
        tell(f"\nSeat {seat} of {n_seats} - {self.path}{where}")
        steps = list_seat_steps(
            self.path, self.transmitter, feed_ma=self.feed_ma, seat=seat, setup=self.setup
        )
        for number, step in enumerate(steps, 1):
            tell(wrap(step, f"  {number}  ", "     "))
        tell(wrap(get_seat_caution(self.path), "  !  ", "     "))
        self._wait("Space or Enter when that is done, q to stop.")
        if is_fed(self.path, self.transmitter):
            self._count_down(SETTLE_S, "feed settling")
            if needs_conditioning(self.path, self.transmitter):
                tell(wrap(TURN_OVER, "  *  ", "     "))
                self._wait("Space or Enter starts the take.")

    def after_seat(self, seat: int, found: Measurement | RecordingError) -> None:
        """Tell what the take gave, how the seats spread so far, and what to look at."""
        from voicecheck.workflow.sweeping.advice import advise, find_spread_db

        self.view.stop()
        if isinstance(found, RecordingError):
            tell(f"  seat {seat}: not usable: {found} (the recording is kept)", quiet=self.quiet)
            return
        self._done.append(found)
        level = found.bands.at_1khz_db
        text = "withheld" if level is None else f"{level:.2f}"
        unit = found.response.unit if found.response else "dB"
        kinds = ", ".join(sorted({problem.kind for problem in found.problems}))
        spread_db = find_spread_db(self._done)
        spread = "" if spread_db is None else f", spread so far {spread_db:.2f} dB"
        seen = f" ({kinds})" if kinds else ""
        tell(f"  seat {seat}: {text} {unit} at 1 kHz{spread}{seen}", quiet=self.quiet)
        if self.waits:
            for problem in found.problems:
                seen = "; ".join(filter(None, (problem.message, problem.effect)))
                tell(wrap(f"{problem.kind}: {seen}", "  >  ", "     "), quiet=self.quiet)
            for advice in advise(self._done, self.measured_path, self.transmitter):
                tell(wrap(advice, "  >  ", "     "), quiet=self.quiet)

    def _count_down(self, seconds: int, what: str) -> None:
        for left in range(seconds, 0, -1):
            sys.stderr.write(f"\r  {what}: {left} s ")
            sys.stderr.flush()
            self._pause(1.0)
        sys.stderr.write(f"\r{' ' * 40}\r")
