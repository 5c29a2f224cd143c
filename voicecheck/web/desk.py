"""The one piece of work that the page does at a time, in a thread of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from markupsafe import Markup

from voicecheck.errors import BenchError, InputError, VoicecheckError
from voicecheck.web.journal import Journal
from voicecheck.workflow.sweeping.seats import rate_level

METER_S, METER_END_S = 0.05, 5.0
GONE_S = 30.0
"""So long the line of work that ended well is shown; what failed stays until it is put away."""
ORPHAN_S, LOADING_S, ASKED_S = 2.0, 20.0, 3.0
"""
A page that is gone for so long was closed; unless another one was asked for about when it left, and
is still loading, on a machine that is slow or has much to do.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """
    Something that is typed in answer to a prompt.

    Parameters
    ----------
    name, label, unit : str
    default : str
    is_required : bool
    """

    name: str
    label: str
    unit: str = ""
    default: str = ""
    is_required: bool = True


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
    picture : str
        Drawn with letters; empty for none.
    drawing : Markup
        The same as lines and boxes, where there is one.
    fields : tuple of Field
    choices : dict of str to str
        Further buttons: what each is called in the answer, and what is on it.
    wrong : str
        What was wrong with the last answer.
    number : int
        Counts the prompts, so that a second press does not answer the next one; set by the desk.
    """

    title: str
    steps: tuple[str, ...] = ()
    caution: str = ""
    button: str = "It is done, go on"
    picture: str = ""
    drawing: Markup = field(default_factory=Markup)
    fields: tuple[Field, ...] = ()
    choices: dict[str, str] = field(default_factory=dict)
    wrong: str = ""
    number: int = 0


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
    offer : tuple of str
        Address and words of what is to be done with it next; empty for nothing.
    seat, n_seats : int
        Which of how many; 0 where there are none.
    ended_s : float or None
        When it ended, by the desk's clock.
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
    offer: tuple[str, ...] = ()
    seat: int = 0
    n_seats: int = 0
    ended_s: float | None = None


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

    def show_seat(self, seat: int, n_seats: int) -> None:
        """Say which seat of how many it is."""
        self._desk.change(seat=seat, n_seats=n_seats)

    def offer(self, address: str, words: str) -> None:
        """Lead on to a page, once the work has ended."""
        self._desk.change(offer=(address, words))

    def note(self, line: str) -> None:
        """Say what was found; it stays until the next piece of work."""
        self._desk.change(notes=(*self._desk.status.notes, line))

    def ask(self, prompt: Prompt, meanwhile: Callable[[], None] | None = None) -> dict[str, str]:
        """
        Wait until the person has done what is asked; KeyboardInterrupt where it is stopped.

        Parameters
        ----------
        prompt : Prompt
        meanwhile : callable, optional
            Done while the prompt is shown: a tone that a meter is read by.

        Returns
        -------
        dict of str to str
            What was typed into each field, and as "choice" which other button was pressed, or
            nothing.
        """
        return self._desk.ask(prompt, meanwhile)

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
        seen: dict[str, Any] = {"fraction": round(fraction, 4), "peak_dbfs": None}
        if peak_dbfs is not None:
            seen |= {"peak_dbfs": self._held_dbfs, "words": rate_level(self._held_dbfs)}
        self.send("meter", seen)
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
    clock : callable
        Seconds that never go back.
    """

    def __init__(self, journal: Journal, clock: Callable[[], float] = time.monotonic) -> None:
        self.journal, self.clock = journal, clock
        self._lock = threading.RLock()
        self._thread: threading.Thread | None = None
        self._stop, self._go = threading.Event(), threading.Event()
        self._tab = ""
        self._tabs: dict[str, int] = {}
        self._gone_since_s: float | None = None
        self._loading_s: float | None = None
        self._n_prompts, self._answer = 0, dict[str, str]()
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
        Begin a piece of work; a meter makes way for it.

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
        BenchError
            Something is under way.
        InputError
            The page cannot be watched.
        """
        if not tab:
            raise InputError("this page has no scripts, so that its closing would not be noticed")
        if self.status.is_running and self.status.is_meter:
            # Nothing is lost with a meter, and whoever begins something else has done with it.
            self.stop()
            self.wait(METER_END_S)
        with self._lock:
            if self.status.is_running:
                raise BenchError(f"{self.status.title} is under way; stop it or wait")
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

    def go_on(self, answer: Mapping[str, str] | None = None, *, number: int = 0) -> None:
        """
        The person has done what was asked.

        Parameters
        ----------
        answer : mapping, optional
            What was typed, and the "choice".
        number : int
            Of the prompt that is answered; 0 is the one that is shown.
        """
        with self._lock:
            prompt = self.status.prompt
            # The second of two quick presses must not answer the prompt that came in between.
            if prompt is None or number not in {0, prompt.number} or self._go.is_set():
                return
            names = [*(one.name for one in prompt.fields), "choice"]
            self._answer = {name: (answer or {}).get(name, "") for name in names}
            self._go.set()
            self.change(prompt=None)

    def put_away(self) -> None:
        """Show nothing of work that has ended."""
        with self._lock:
            if not self.status.is_running:
                self.status = Status(number=self.status.number)
        self._announce()

    @property
    def is_shown(self) -> bool:
        """Whether the page has something to say of work: under way, failed, or just done."""
        status = self.status
        if (
            not status.title
            or status.is_running
            or status.is_failed
            or status.notes
            or status.offer
        ):
            return bool(status.title)
        return status.ended_s is not None and self.clock() - status.ended_s < GONE_S

    def wait(self, timeout_s: float) -> None:
        """Wait for the end of the work."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def open_tab(self, tab: str) -> None:
        """A page is being looked at."""
        with self._lock:
            self._loading_s = None
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
        now_s = self.clock()
        if self._gone_since_s is None:
            self._gone_since_s = now_s
            return
        asked_s = self._loading_s
        if asked_s is not None and asked_s > self._gone_since_s - ASKED_S:
            is_closed = now_s - asked_s >= LOADING_S
        else:
            is_closed = now_s - self._gone_since_s >= ORPHAN_S
        if is_closed:
            self.stop()

    def note_loading(self) -> None:
        """A browser has asked for a whole page, which opens its stream when it has loaded."""
        self._loading_s = self.clock()

    @property
    def is_stopping(self) -> bool:
        """Whether the work is to stop."""
        return self._stop.is_set()

    def check_stop(self) -> None:
        """Raise KeyboardInterrupt where the work is to stop."""
        if self.is_stopping:
            raise KeyboardInterrupt

    def rest(self, seconds: float) -> None:
        """Wait, unless it is to stop."""
        self._stop.wait(seconds)
        self.check_stop()

    def change(self, **changes: Any) -> None:
        """Change the status, and let every page know."""
        with self._lock:
            self.status = replace(self.status, **changes)
        self._announce()

    def ask(self, prompt: Prompt, meanwhile: Callable[[], None] | None = None) -> dict[str, str]:
        """Show a prompt until it is answered, and `meanwhile` is done."""
        self._go.clear()
        self.check_stop()
        self._n_prompts += 1
        self.change(prompt=replace(prompt, number=self._n_prompts), line=prompt.title)
        try:
            if meanwhile is not None:
                meanwhile()
            self._go.wait()
        finally:
            self.change(prompt=None)
        self.check_stop()
        return self._answer

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
        self.change(
            line=line,
            prompt=None,
            is_running=False,
            is_failed=is_failed,
            ended_s=self.clock(),
        )
