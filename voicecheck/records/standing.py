"""Where a set stands: one strip of marks, and the one next step."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records.terms import JobStage, MarkKey, MarkState


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """
    What is known of one part of a set.

    Parameters
    ----------
    key : str
    as_found, now : str or None
        `now` is `None` as long as the work is not done and nothing was tested after it.
    sentence : str
        Of the later of the two, in plain words.
    partly : str
        What of it is missing; "" where all was tested, or nothing.
    simulated : bool
        It rests on a telephone that is none.
    """

    key: MarkKey
    as_found: MarkState
    now: MarkState | None
    sentence: str
    partly: str = ""
    simulated: bool = False

    @property
    def state(self) -> MarkState:
        """The later state that is known."""
        return self.as_found if self.now in (None, "not tested") else self.now


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """
    What to do next.

    Parameters
    ----------
    key : str
        "sweep", a check's name, "compare", "done", "report", "close" or "reopen".
    sentence : str
    command : str
        As it is typed.
    target : str
        Page that does it, its anchor with it.
    """

    key: str
    sentence: str
    command: str
    target: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """
    Where the set of a job stands.

    Parameters
    ----------
    job : int
    stage : str
        "before" (as found) until somebody says that the work is done.
    marks : tuple of Mark
        Always all of them, in one order.
    simulated : bool
        Anything of it is simulated.
    next_step : NextStep
    open_steps : tuple of int
        Of the check list.
    days_on_bench : int
        Whole days from the day it came in until now, or until it was closed.
    """

    job: int
    stage: JobStage
    marks: tuple[Mark, ...]
    simulated: bool
    next_step: NextStep
    open_steps: tuple[int, ...]
    days_on_bench: int
