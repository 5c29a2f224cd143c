"""The trials that there are: what each is for, its steps, its outcomes in words."""

from __future__ import annotations

import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Literal

import msgspec

from voicecheck.records.terms import PathName, check_word

TrialState = Literal[
    "", "rapped", "resistor", "second-load", "known-element", "known-set", "known-both", "finger"
]
Figure = Literal["level", "crackle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialStep:
    """
    One take of a trial.

    Parameters
    ----------
    name : str
    do : tuple of str
        What is done before it, in order.
    seat : int
        How often the handset was laid down anew, from 1.
    state : str
        What of the set or the bench is changed.
    feed_ma : float or None
        Where it is not the type's.
    at_min : float
        Minutes since the first take.
    wait_s : int
        Waited before the take, for the feed to settle.
    asks_ma : bool
        Whether the loop current is read from a meter.
    """

    name: str
    do: tuple[str, ...] = ()
    seat: int = 1
    state: TrialState = ""
    feed_ma: float | None = None
    at_min: float = 0.0
    wait_s: int = 0
    asks_ma: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialKind:
    """
    A trial.

    Parameters
    ----------
    title, purpose, caution : str
    path : str
    figure : str
        What is read from its takes: levels of a programme, or crackle in silence and under a tone.
    source : str
        What its physics and its limits rest on.
    separates : tuple of str
        Codes of the fault table that it speaks of.
    outcomes : dict of str to str
        What each means, and what to do next.
    step : tuple of TrialStep
    """

    title: str
    purpose: str
    caution: str
    path: PathName
    figure: Figure
    source: str
    separates: tuple[str, ...]
    outcomes: dict[str, str]
    step: tuple[TrialStep, ...] = field(default=())


@cache
def load_trials() -> Mapping[str, TrialKind]:
    """
    Trials by name, in the order in which they are offered.

    Examples
    --------
    >>> list(load_trials())[:2]
    ['rap', 'crackle']
    """
    source = importlib.resources.files("voicecheck") / "data" / "trials.toml"
    return msgspec.convert(tomllib.loads(source.read_text(encoding="utf-8")), dict[str, TrialKind])


def get_trial(name: str) -> TrialKind:
    """
    A trial by its name.

    Raises
    ------
    InputError
        There is no such trial.
    """
    check_word(name, load_trials(), "trial")
    return load_trials()[name]
