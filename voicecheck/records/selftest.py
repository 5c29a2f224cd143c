"""Document of a self-test: what was tried, what came of it in words, and on what machine."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from voicecheck.records.benchsight import BenchSight

Outcome = Literal["passes", "fails", "not tried"]
SelfTestGroup = Literal[
    "measuring", "spoiled", "standards", "program", "sound", "book", "page", "bench"
]


CORE: tuple[SelfTestGroup, ...] = ("measuring", "spoiled", "standards")
"""Groups on which every measurement rests."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfTestLine:
    """
    One thing that was tried.

    Parameters
    ----------
    group, name : str
        Together they are the line's key.
    title : str
        What was tried, in words.
    outcome : str
        "passes", "fails" or "not tried".
    told : str
        What was found, or why it was not tried.
    advice : str
        What to do; "" where it passes.
    source : str
        Where the truth or the limit is from.
    figures : dict of str to float or None
        What was measured, by names that end with their units.
    """

    group: SelfTestGroup
    name: str
    title: str
    outcome: Outcome
    told: str = ""
    advice: str = ""
    source: str = ""
    figures: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfTest:
    """
    A self-test as a whole.

    Parameters
    ----------
    time_utc, version : str
    overall : str
        "fails" where any line does, else "passes".
    lines : tuple of SelfTestLine
        In the order they were tried.
    system : dict of str to str
        Versions of the system, Python and the libraries.
    bench : str
        That was tried; "" without one.
    is_simulated : bool
        Whether that bench is no real one.
    sight : BenchSight or None
        What the bench can tell.
    told : tuple of str
        The same in sentences.
    only : tuple of str
        Groups that alone were asked for; empty for all.
    seconds, processor_s : float
        What it took.
    """

    time_utc: str
    version: str
    overall: Outcome
    lines: tuple[SelfTestLine, ...] = ()
    system: dict[str, str] = field(default_factory=dict)
    bench: str = ""
    is_simulated: bool = False
    sight: BenchSight | None = None
    told: tuple[str, ...] = ()
    only: tuple[SelfTestGroup, ...] = ()
    seconds: float = 0.0
    processor_s: float = 0.0

    def list_failed(self) -> tuple[SelfTestLine, ...]:
        """Lines that fail."""
        return tuple(one for one in self.lines if one.outcome == "fails")

    @property
    def is_measuring_right(self) -> bool:
        """Whether measuring, noticing and tables were all tried and nothing of them fails."""
        lines = [one for one in self.lines if one.group in CORE]
        return {one.group for one in lines} == set(CORE) and all(
            one.outcome == "passes" for one in lines
        )

    def count(self, outcome: Outcome) -> int:
        """How many lines have an outcome."""
        return sum(one.outcome == outcome for one in self.lines)
