"""The steps of the protocol, and the parts of the two evenings in their order."""

from __future__ import annotations

import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal

import msgspec

from voicecheck.errors import InputError
from voicecheck.records.terms import PathName, check_word

ENVELOPE, OPENED = "envelope", "opened"
"""Parts that belong to no evening: what a friend hid, and what was in it."""
StepSound = Literal["programme", "silence", "check"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """
    A number that somebody types during a step.

    Parameters
    ----------
    name, label, unit : str
    low, high : float
        What can be; anything else was mistyped.
    default : float or None
        `None` where it must be read.
    """

    name: str
    label: str
    unit: str
    low: float
    high: float
    default: float | None = None

    def check(self, value: float) -> float:
        """
        Refuse what can not be.

        Raises
        ------
        InputError
            Out of range, or no number.
        """
        if not self.low <= value <= self.high:
            raise InputError(
                f"{self.name}: need {self.low:g} to {self.high:g} {self.unit}, got {value:g}"
            )
        return float(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepKind:
    """
    A step of the protocol.

    Parameters
    ----------
    title, purpose, caution : str
    path : str
    sound : str
        "programme" is played and measured, "silence" is only listened to, "check" is that of the
        step's name.
    do : tuple of str
        With {who} for the person of a part.
    source : str
        What its limits rest on.
    limits : dict of str to float
    takes, first_takes : int
        Of a part, and of the step's first one where that has more.
    seconds : float
        Of a silence.
    level_dbm : float or None
        Of the programme where it is not the bench's usual one.
    reading : tuple of StepReading
    """

    title: str
    purpose: str
    caution: str
    path: PathName
    sound: StepSound
    do: tuple[str, ...]
    source: str
    limits: dict[str, float] = field(default_factory=dict)
    takes: int = 1
    first_takes: int = 0
    seconds: float = 20.0
    level_dbm: float | None = None
    reading: tuple[StepReading, ...] = ()


@cache
def _load() -> Mapping[str, Any]:
    source = importlib.resources.files("voicecheck") / "data" / "protocol.toml"
    return tomllib.loads(source.read_text(encoding="utf-8"))


@cache
def load_steps() -> Mapping[str, StepKind]:
    """
    Steps by name, in the order in which they are first done.

    Examples
    --------
    >>> list(load_steps())
    ['loop-back', 'resistor', 'diodes', 'seats', 'round', 'dial']
    """
    return msgspec.convert(_load()["step"], dict[str, StepKind])


def list_evenings() -> tuple[tuple[str, ...], ...]:
    """Parts of each evening in their order."""
    return tuple(tuple(parts) for parts in _load()["evenings"].values())


def list_parts() -> tuple[str, ...]:
    """
    Parts of both evenings in their order.

    Examples
    --------
    >>> list_parts()[:2], list_parts()[-1]
    (('loop-back 1', 'resistor 1'), 'loop-back 6')
    """
    return tuple(part for evening in list_evenings() for part in evening)


def find_step(part: str) -> str:
    """
    Name of the step that a part is of.

    Raises
    ------
    InputError
        There is no such part.

    Examples
    --------
    >>> find_step("seats 2A")
    'seats'
    """
    check_word(part, list_parts(), "part")
    return part.rpartition(" ")[0]


def count_rounds() -> int:
    """How many rounds an envelope has an entry for."""
    return sum(part.startswith("round ") for part in list_parts())


def count_takes(part: str) -> int:
    """
    Takes of a part: the first of the bench alone has more, since they tell what it can see.

    Examples
    --------
    >>> count_takes("loop-back 1"), count_takes("loop-back 2"), count_takes("seats 1A")
    (6, 1, 10)
    """
    kind = load_steps()[find_step(part)]
    return kind.first_takes if kind.first_takes and part.endswith(" 1") else kind.takes


def find_person(part: str) -> str:
    """
    Letter of the person of a part; "" where anybody may do it.

    Examples
    --------
    >>> find_person("seats 2A"), find_person("round 10")
    ('A', '')
    """
    return "".join(one for one in part.rpartition(" ")[2] if one.isalpha())
