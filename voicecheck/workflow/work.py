"""The work on a set in words, and resistances held against the type's own values."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records import Job, NormalValue, SetType
from voicecheck.records.sets import Work
from voicecheck.records.terms import Verdict
from voicecheck.words import load_words

OHM_UNITS = ("ohm", "ohms", "Ω", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry in a line, with the verdict on a resistance; `None` of anything else."""

    work: Work
    text: str
    verdict: Verdict | None = None


def list_entries(job: Job, set_type: SetType, language: str = "en") -> tuple[Entry, ...]:
    """
    The work on a set, the oldest first, those withdrawn too.

    Parameters
    ----------
    job : Job
    set_type : SetType
        Its normal values in ohm are what a resistance of the same name is held against.
    language : str
    """
    entries = []
    for work in job.work:
        text = say_work(work, language)
        verdict = None
        if work.kind == "ohms":
            normal = find_normal(work.what, set_type)
            verdict = judge_ohms(work, normal)
            text = f"{text} ({say_normal(normal, language)})"
        entries.append(Entry(work=work, text=text, verdict=verdict))
    return tuple(entries)


def find_normal(what: str, set_type: SetType) -> NormalValue | None:
    """The type's own value of that name in ohm; `None` where it has none."""
    for normal in set_type.normal_values:
        if normal.quantity.casefold() == what.casefold() and normal.unit in OHM_UNITS:
            return normal
    return None


def judge_ohms(work: Work, normal: NormalValue | None) -> Verdict:
    """
    A resistance against the type's own value.

    Examples
    --------
    >>> normal = NormalValue(quantity="receiver", unit="ohm", low=30.0, high=80.0)
    >>> judge_ohms(Work(kind="ohms", what="receiver", value=63.5), normal)
    'within'
    >>> judge_ohms(Work(kind="ohms", what="receiver", value=4000.0), normal)
    'outside'
    """
    if normal is None or work.value is None:
        return "not comparable"
    is_low = normal.low is not None and work.value < normal.low
    is_high = normal.high is not None and work.value > normal.high
    return "outside" if is_low or is_high else "within"


def say_normal(normal: NormalValue | None, language: str = "en") -> str:
    """What a set of the type should show, with its source."""
    words = load_words(language)
    if normal is None:
        return words.say("work", "no_normal")
    low, high = (None if one is None else f"{one:g}" for one in (normal.low, normal.high))
    key = "normal" if low and high else "normal_low" if low else "normal_high"
    return words.say("work", key, low=low, high=high) + (
        f"; {normal.source}" if normal.source else ""
    )


def say_work(work: Work, language: str = "en") -> str:
    """
    One entry in a sentence.

    Examples
    --------
    >>> say_work(Work(kind="part", what="condenser", old_value="leaky", new_value="1 uF"))
    'condenser fitted: 1 uF in place of leaky'
    >>> say_work(Work(kind="hazard", what="mains on the cord"))
    'hazard: mains on the cord'
    """
    from voicecheck.report.sentences import say_work as say

    return say(work, load_words(language))
