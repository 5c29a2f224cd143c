"""The one sweep that the page runs at a time, in a thread of its own."""

from __future__ import annotations

import threading
from pathlib import Path

from voicecheck.errors import InputError, VoicecheckError
from voicecheck.workflow.page import sweep_simulated


class Sweeper:
    """Start, stop and ask after a sweep; `line` says in words how far it is."""

    def __init__(self, book: Path | None) -> None:
        self._book = book
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self.line = ""

    @property
    def is_running(self) -> bool:
        """Whether a sweep is under way."""
        return self._thread is not None and self._thread.is_alive()

    def start(self, job: int, *, path: str, stage: str, handset: str, n_seats: int) -> None:
        """Start a sweep; InputError where one is under way."""
        with self._lock:
            if self.is_running:
                raise InputError("sweep: one is under way; stop it or wait")
            self._stop.clear()
            self.line = f"Job {job}: starting"
            wanted = {"path": path, "stage": stage, "handset": handset, "n_seats": n_seats}
            self._thread = threading.Thread(target=self._run, args=(job, wanted), daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Ask for the end after the seat that is under way; what is recorded stays."""
        self._stop.set()

    def wait(self, timeout_s: float) -> None:
        """Wait for the end of the sweep."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _run(self, job: int, wanted: dict[str, object]) -> None:
        try:
            self.line = sweep_simulated(self._book, job, before_seat=self._before_seat, **wanted)  # type: ignore[arg-type]
        except KeyboardInterrupt:
            self.line = "Stopped before the first seat was done"
        except VoicecheckError as error:
            self.line = str(error)
        except Exception as error:
            self.line = f"The sweep ended: {type(error).__name__}; what was recorded is kept"

    def _before_seat(self, seat: int, n_seats: int) -> None:
        if self._stop.is_set():
            raise KeyboardInterrupt
        self.line = f"Recording seat {seat} of {n_seats}"
