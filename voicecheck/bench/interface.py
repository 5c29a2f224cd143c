"""What every bench does: the sound card, files, the simulated one, and any that comes later."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

from voicecheck.errors import InputError
from voicecheck.records import Programme, Recording

if TYPE_CHECKING:
    from voicecheck.records import Device


class Bench(ABC):
    """Plays a programme along a path and hands back what came back."""

    @property
    def devices(self) -> tuple[str, ...]:
        """Sound devices that a take drives and listens to; files and models have none."""
        return ()

    @abstractmethod
    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """
        Play a programme and record what comes back.

        Parameters
        ----------
        programme : Programme
        path : str
        seat : int
            Which seat of the run, from 1.

        Returns
        -------
        Recording

        Raises
        ------
        InputError, BenchError, RecordingError
            There is no such path or seat; the take failed; what came back cannot be used.
        """

    @staticmethod
    def list_devices() -> tuple[Device, ...]:
        """Sound devices that a bench of this kind could be on now; files and models need none."""
        return ()

    def check_both(self) -> None:
        """
        Refuse to listen to line tap and ear at once; a bench that can says so by its own check.

        Raises
        ------
        InputError
            There are no two inputs.
        """
        raise InputError("path both: need a bench that was set up with two inputs (--bench NAME)")

    def play_and_record_both(
        self, programme: Programme, *, seat: int = 1, path: str = "transmit"
    ) -> tuple[Recording, Recording]:
        """
        Line tap and ear from one take: the mouth talks, or on the path "loop" the line drive.

        Parameters
        ----------
        programme : Programme
        seat : int
        path : str

        Returns
        -------
        tap, ear : Recording
            Transmit and sidetone, or loop and receive.

        Raises
        ------
        InputError
            As `check_both`.
        BenchError
            The take failed.
        """
        del programme, seat, path
        self.check_both()
        raise NotImplementedError
