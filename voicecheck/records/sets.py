"""Sets, and what is done to one in a job; loads without numpy, for the forms of a command."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Annotated, Literal

from msgspec import Meta

WorkKind = Literal["part", "adjustment", "ohms", "time", "hazard"]
"""
A part fitted or an adjustment made (old and new value), a resistance read (ohm), time spent
(minutes), a hazard found.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetWords:
    """By what a set is known again, in free words; each is a column of the book."""

    marks: Annotated[
        str,
        Meta(
            max_length=2000,
            description="What is stamped or written on it.",
            extra={"label": "Marks"},
        ),
    ] = ""
    part_dates: Annotated[
        str,
        Meta(
            max_length=2000,
            description="Dates on its parts, as bell 1951, dial 1953.",
            extra={"label": "Dates on parts"},
        ),
    ] = ""
    colour: Annotated[
        str, Meta(max_length=200, description="Its colour.", extra={"label": "Colour"})
    ] = ""


SET_WORDS = tuple(field.name for field in dataclasses.fields(SetWords))


@dataclass(frozen=True, slots=True, kw_only=True)
class Telephone(SetWords):
    """One set, with the numbers of its jobs, the oldest first."""

    set: int
    label: str
    type_name: str
    made_utc: str
    jobs: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """
    One thing that was done to a set, read on it, or found dangerous in it.

    Parameters
    ----------
    number : int
        Within the book.
    kind : str
    what : str
        The part, the adjustment, the winding, the work, the hazard.
    old_value, new_value : str
        Of a part or an adjustment.
    value : float or None
        Ohm of a resistance, minutes of time spent.
    added_utc : str
    answer : str
        What was done about a hazard; "" while it is open.
    answered_utc : str or None
    withdrawn : str
        Why it no longer counts; "" while it does.
    """

    number: int = 0
    kind: WorkKind
    what: str
    old_value: str = ""
    new_value: str = ""
    value: float | None = None
    added_utc: str = ""
    answer: str = ""
    answered_utc: str | None = None
    withdrawn: str = ""

    @property
    def is_open_hazard(self) -> bool:
        """Whether it stops measuring."""
        return self.kind == "hazard" and not self.answer and not self.withdrawn


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPoint:
    """
    Level of one path of a set at one stage of one of its jobs.

    Parameters
    ----------
    job : int
    stage, path, taken_utc, unit : str
    level_db : float
        Mean over 200-4000 Hz.
    uncertainty_db : float
        Half-width of its 95 % interval, with the bench's day-to-day spread in it.
    bench_db : float
        Standard deviation of the bench from day to day.
    is_stated : bool
        Too few daily checks: `bench_db` is a stated value.
    is_simulated : bool
    """

    job: int
    stage: str
    path: str
    taken_utc: str
    unit: str
    level_db: float
    uncertainty_db: float
    bench_db: float
    is_stated: bool = True
    is_simulated: bool = False
