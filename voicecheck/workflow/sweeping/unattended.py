"""A sweep with nobody at the bench: scripts, notebooks."""

from __future__ import annotations

from voicecheck.records import Programme
from voicecheck.workflow.sweeping.seats import SeatReport, SeatRequest


class Nobody:
    """An attendant that is not there: takes follow each other, and nothing is told."""

    is_asked = False

    def prepare(self, programme: Programme, path: object) -> None:
        """See `Attendant`."""

    def follow(self, fraction: float, peak_dbfs: float) -> None:
        """See `Attendant`."""

    def note(self, line: str) -> None:
        """See `Attendant`."""

    def ask(self, request: SeatRequest) -> None:
        """See `Attendant`."""

    def settle(self, seconds: int, what: str) -> None:
        """See `Attendant`."""

    def begin(self, seat: int, n_seats: int) -> None:
        """See `Attendant`."""

    def report(self, report: SeatReport) -> bool:
        """See `Attendant`."""
        del report
        return False
