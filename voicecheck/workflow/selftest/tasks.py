"""One thing to try, and what becomes of it: a line in words, whatever happens."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from voicecheck.errors import VoicecheckError
from voicecheck.records.selftest import Outcome, SelfTestGroup, SelfTestLine

REPORT_IT = "send this page to who made the program; until then do not rely on what it measures"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What came of one thing; see `SelfTestLine`."""

    outcome: Outcome
    told: str
    advice: str = ""
    figures: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """
    One thing to try.

    Parameters
    ----------
    group, name, title, source : str
        As of `SelfTestLine`.
    run : callable
        Tries it. What it raises is a failure with the error's words.
    """

    group: SelfTestGroup
    name: str
    title: str
    run: Callable[[], Tried]
    source: str = ""


def carry_out(task: Task) -> SelfTestLine:
    """
    The line of a task.

    An error nobody foresaw is what a self-test is there to find: it becomes a line that fails.
    """
    try:
        tried = task.run()
    except VoicecheckError as error:
        tried = Tried(outcome="fails", told=str(error), advice=REPORT_IT)
    except Exception as error:
        words = " ".join(str(error).split())[:200]
        told = f"it broke off: {type(error).__name__}: {words}"
        tried = Tried(outcome="fails", told=told, advice=REPORT_IT)
    return SelfTestLine(
        group=task.group,
        name=task.name,
        title=task.title,
        outcome=tried.outcome,
        told=tried.told,
        advice=tried.advice,
        source=task.source,
        figures=tried.figures,
    )


def hold(what: str, found: float, *, most: float, unit: str, name: str) -> Tried:
    """
    Hold the size of an error against the most that it may be.

    Parameters
    ----------
    what : str
        What is wrong by so much, in words.
    found, most : float
        Not a number fails.
    unit : str
    name : str
        Of the figure.

    Examples
    --------
    >>> hold("the level", 0.002, most=0.01, unit="dB", name="level_error_db").told
    'the level is right within 0.0020 dB (0.01 dB allowed)'
    >>> hold("the level", float("nan"), most=0.01, unit="dB", name="level_error_db").outcome
    'fails'
    """
    is_right = abs(found) <= most
    word = "right within" if is_right else "wrong by"
    said = _say_size(abs(found), most) + f" {unit}"
    return Tried(
        outcome="passes" if is_right else "fails",
        told=f"{what} is {word} {said} ({most:g} {unit} allowed)",
        advice="" if is_right else REPORT_IT,
        figures={name: float(found)},
    )


def _say_size(size: float, most: float) -> str:
    """Two figures without powers of ten; what is far below the limit by a bound."""
    if not math.isfinite(size):
        return "no known number of"
    least = 0.001 * most
    if size < least:
        return f"{least:.6f}".rstrip("0").rstrip(".")
    digits = max(0, 1 - math.floor(math.log10(size)))
    return f"{size:.{digits}f}"
