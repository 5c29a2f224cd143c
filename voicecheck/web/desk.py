"""The one piece of work that the page does at a time, in a thread of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from voicecheck.errors import InputError, VoicecheckError
from voicecheck.web.journal import Journal

METER_S = 0.05
ORPHAN_S = 2.0
"""A page that changes to another is back sooner; one that was closed is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """
    What the person at the bench is asked to do now.

    Parameters
    ----------
    title : str
    steps : tuple of str
    caution : str
    button : str
        What is pressed when it is done.
    """

    title: str
    steps: tuple[str, ...] = ()
    caution: str = ""
    button: str = "It is done, go on"


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """
    How the work stands.

    Parameters
    ----------
    number : int
        Counts the pieces of work since the program began; 0 is none yet.
    title, line : str
        What it is, and how far it is or how it ended.
    job : int or None
    address : str
        Page that it belongs to.
    is_running, is_meter, is_failed : bool
    prompt : Prompt or None
    notes : tuple of str
        What was found on the way.
    """

    number: int = 0
    title: str = ""
    line: str = ""
    job: int | None = None
    address: str = "/"
    is_running: bool = False
    is_meter: bool = False
    is_failed: bool = False
    prompt: Prompt | None = None
    notes: tuple[str, ...] = ()


class Handle:
    """What the work itself may do: tell, ask, show levels, and learn that it is to stop."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._held_dbfs, self._shown_s = -200.0, 0.0

    def check(self) -> None:
        """Raise KeyboardInterrupt where somebody wants the work to stop."""
        self._desk.check_stop()

    def tell(self, line: str) -> None:
        """Say in words how far it is."""
        self._desk.change(line=line)

    def note(self, line: str) -> None:
        """Say what was found; it stays until the next piece of work."""
        self._desk.change(notes=(*self._desk.status.notes, line))

    def ask(self, prompt: Prompt) -> None:
        """Wait until the person has done what is asked; KeyboardInterrupt where it is stopped."""
        self._desk.ask(prompt)

    def pause(self, seconds: int, what: str) -> None:
        """Wait for something to settle, counting down."""
        for left in range(seconds, 0, -1):
            self.tell(f"{what}: {left} s")
            self._desk.rest(1.0)

    def follow(self, fraction: float, peak_dbfs: float | None) -> None:
        """Show how much of a take is done and the peak of the input; stops the take if need be."""
        self.check()
        self._held_dbfs = max(self._held_dbfs, -200.0 if peak_dbfs is None else peak_dbfs)
        now_s = time.monotonic()
        if now_s - self._shown_s < METER_S and fraction < 1.0:
            return
        self._shown_s = now_s
        level = self._held_dbfs if peak_dbfs is not None else None
        self.send("meter", {"fraction": round(fraction, 4), "peak_dbfs": level})
        self._held_dbfs = -200.0

    def send(self, kind: str, data: Any) -> None:
        """Send something else to every open page."""
        self._desk.journal.put(kind, data)


Act = Callable[[Handle], str]


class Desk:
    """
    Starts work, stops it, and knows how it stands.

    Parameters
    ----------
    journal : Journal
    """

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._stop, self._go = threading.Event(), threading.Event()
        self._tab = ""
        self._tabs: dict[str, int] = {}
        self._gone_since_s: float | None = None
        self.status = Status()

    def start(
        self,
        title: str,
        act: Act,
        *,
        tab: str,
        job: int | None = None,
        address: str = "/",
        is_meter: bool = False,
    ) -> None:
        """
        Begin a piece of work.

        Parameters
        ----------
        title : str
        act : callable
            Does the work, and says in a line how it ended.
        tab : str
            Of the page that it is begun from; when that is gone, it stops.
        job : int, optional
        address : str
            Page that it belongs to.
        is_meter : bool

        Raises
        ------
        InputError
            Something is under way, or the page cannot be watched.
        """
        if not tab:
            raise InputError("this page has no scripts, so that its closing would not be noticed")
        with self._lock:
            if self.status.is_running:
                raise InputError(f"{self.status.title} is under way; stop it or wait")
            self._stop.clear()
            self._go.clear()
            self._tab, self._gone_since_s = tab, None
            self.status = Status(
                number=self.status.number + 1,
                title=title,
                line="Starting",
                job=job,
                address=address,
                is_running=True,
                is_meter=is_meter,
            )
            self._thread = threading.Thread(target=self._run, args=(act,), daemon=True)
            self._thread.start()
        self._announce()

    def stop(self) -> None:
        """End the work as soon as it can; what is recorded stays."""
        self._stop.set()
        self._go.set()

    def go_on(self) -> None:
        """The person has done what was asked."""
        self._go.set()

    def wait(self, timeout_s: float) -> None:
        """Wait for the end of the work."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def open_tab(self, tab: str) -> None:
        """A page is being looked at."""
        with self._lock:
            self._tabs[tab] = self._tabs.get(tab, 0) + 1

    def close_tab(self, tab: str) -> None:
        """It is not any more."""
        with self._lock:
            self._tabs[tab] -= 1
            if not self._tabs[tab]:
                del self._tabs[tab]

    @property
    def n_open(self) -> int:
        """How many pages are open."""
        return sum(self._tabs.values())

    def stop_if_alone(self) -> None:
        """Stop work whose page is gone."""
        if not self.status.is_running or self._tab in self._tabs:
            self._gone_since_s = None
            return
        now_s = time.monotonic()
        if self._gone_since_s is None:
            self._gone_since_s = now_s
        elif now_s - self._gone_since_s >= ORPHAN_S:
            self.stop()

    def check_stop(self) -> None:
        """Raise KeyboardInterrupt where the work is to stop."""
        if self._stop.is_set():
            raise KeyboardInterrupt

    def rest(self, seconds: float) -> None:
        """Wait, unless it is to stop."""
        self._stop.wait(seconds)
        self.check_stop()

    def change(self, **changes: Any) -> None:
        """Change the status, and let every page know."""
        self.status = replace(self.status, **changes)
        self._announce()

    def ask(self, prompt: Prompt) -> None:
        """Show a prompt until it is answered."""
        self._go.clear()
        self.check_stop()
        self.change(prompt=prompt, line=prompt.title)
        self._go.wait()
        self.change(prompt=None)
        self.check_stop()

    def _announce(self) -> None:
        self.journal.put("work", {"number": self.status.number})

    def _run(self, act: Act) -> None:
        is_failed = False
        try:
            line = act(Handle(self))
        except KeyboardInterrupt:
            line = "Stopped; nothing was finished"
        except VoicecheckError as error:
            line, is_failed = str(error), True
        except Exception as error:
            line = f"It ended by a fault ({type(error).__name__}); what was recorded is kept"
            is_failed = True
        self.change(line=line, prompt=None, is_running=False, is_failed=is_failed)
