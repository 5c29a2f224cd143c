"""Records in words for a screen, the same words as on paper."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from voicecheck.records import Comparison, Finding, Hint, Measurement, Problem
from voicecheck.records.residuals import describe_residual
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from voicecheck.report.intervals import StatedFigure
    from voicecheck.workflow.tallies import DialsFound, FirstCause, Tallies


def say_quantity(name: str, language: str = "en") -> str:
    """
    A quantity as the report calls it.

    Examples
    --------
    >>> say_quantity("thd_1000_percent") == say_quantity("thd_500_percent")
    False
    >>> say_quantity("something_new")
    'something new'
    """
    return load_words(language).say("quantity", name)


def say_limit(finding: Finding, language: str = "en") -> str:
    """Whose limits a value is held against; "" where there is one kind only."""
    return load_words(language).say("limit", finding.limit) if finding.limit else ""


def say_chance(hint: Hint, language: str = "en") -> str:
    """How probable a cause is, as the report says it."""
    return load_words(language).chance(hint.probability, hint.confidence)


def say_unexplained(hint: Hint, language: str = "en") -> str:
    """What a cause leaves unexplained; "" for nothing."""
    return load_words(language).unexplained(hint.unexplained)


def say_value(value: float | None, unit: str = "", language: str = "en", digits: int = 1) -> str:
    """
    A number with its unit, or that it is withheld.

    Examples
    --------
    >>> say_value(-0.04, "dB"), say_value(None)
    ('0.0 dB', 'withheld')
    """
    text = load_words(language).number(value, digits)
    return text if value is None else f"{text} {unit}".strip()


def say_found(finding: Finding, value: float | None, *, with_unit: bool = True) -> str:
    """
    One of a finding's numbers, to the decimals and in the unit of its quantity.

    Examples
    --------
    >>> crackle = Finding(path="transmit", quantity="kurtosis", value=4.25, unit="dB V/Pa",
    ...     uncertainty=0.1, low=None, high=4.0, verdict="outside")
    >>> say_found(crackle, crackle.value)
    '4.2'
    """
    from voicecheck.charts import say_value as say

    unit, quantity = finding.unit, finding.quantity
    return say(value, unit, load_words(), quantity=quantity, with_unit=with_unit)


def say_residual(measurement: Measurement, language: str = "en") -> tuple[str, ...]:
    """What kind of distortion a measurement holds, where that can be told."""
    return describe_residual(measurement, load_words(language))


def say_comparison(comparison: Comparison, language: str = "en") -> tuple[str, ...]:
    """What a comparison found, in sentences."""
    from voicecheck.report import tell_comparison

    told = tell_comparison(comparison, load_words(language))
    return tuple(f"{one.about}: {one.text}" if one.about else one.text for one in told)


def say_verdict(comparison: Comparison, verdict: str, language: str = "en") -> str:
    """A verdict in a word; between two stages it says what changed, never what is at fault."""
    from voicecheck.charts import is_held_against_limits

    words = load_words(language)
    if is_held_against_limits(comparison):
        return words.say("verdict", verdict)
    return words.say("told", f"change_{verdict}")


def say_mark(verdict: str, language: str = "en") -> str:
    """The sign that stands before a verdict."""
    return load_words(language).say("verdict_mark", verdict)


def say_mark_name(key: str, language: str = "en") -> str:
    """One of the parts of a set, as the strip calls it."""
    return load_words(language).say("mark", key)


def say_path(path: str, language: str = "en") -> str:
    """
    What a sweep goes along.

    Examples
    --------
    >>> say_path("both"), say_path("all")
    ('transmit and sidetone', 'transmit, sidetone and receive')
    """
    return load_words(language).say("path_term", path)


def say_stage(stage: str, language: str = "en") -> str:
    """
    A stage as people say it; one of the user's own as it is.

    Examples
    --------
    >>> say_stage("before"), say_stage("new capsule")
    ('as found', 'new capsule')
    """
    return load_words(language).say_own("standing", f"stage_{stage}", stage)


def say_source(text: str, language: str = "en", *, is_marked: bool = True) -> str:
    """Where a limit or a cause comes from, in words; on wish marked where it was not in print."""
    from voicecheck.report import is_from_memory
    from voicecheck.report.sources import say_source as say

    words = load_words(language)
    told = say(text, words)
    if is_marked and is_from_memory(text):
        return f"{told} {words.say('report', 'memory_mark')}"
    return told


def say_problems(problems: Iterable[Problem], language: str = "en") -> tuple[str, ...]:
    """What disturbed a recording, alike ones once with their count."""
    from voicecheck.workflow.telltakes import tell_problems

    return tell_problems(problems, load_words(language))


def list_stated(measurement: Measurement) -> tuple[StatedFigure, ...]:
    """Every figure that states an uncertainty budget, with its rows."""
    from voicecheck.report.intervals import list_stated as found

    return tuple(found(measurement))


def say_stated(stated: StatedFigure, language: str = "en") -> str:
    """Such a figure as the report calls it."""
    return stated.name(load_words(language))


def tell_tallies(found: Tallies, language: str = "en") -> list[tuple[str, list[str]]]:
    """The statistics of a book: titles, each with its lines."""
    words = load_words(language)

    def say(key: str, **values: object) -> str:
        return words.say("tallies", key, **values)

    none = [say("none")]
    months = [
        say("month", month=one.month, opened=one.opened, closed=one.closed) for one in found.months
    ]
    faults = [say("fault", type=one.type_name, text=one.text, n=one.n) for one in found.faults]
    benches = []
    for one in found.benches:
        moved = (say("moved", what=words.say("bench_quantity", what), n=n) for what, n in one.moved)
        line = say("bench", bench=one.bench, n=one.n_checks, passed=one.n_passed)
        benches.append(line + "".join(moved))
    return [
        (say("months"), months or none),
        (say("faults"), faults or none),
        (say("dials"), _tell_dials(found.dials, words) or none),
        (say("first_cause"), _tell_first_cause(found.first_cause, words) or none),
        (say("benches"), benches or none),
    ]


def _tell_dials(dials: DialsFound, words: Words) -> list[str]:
    told = [
        words.say("tallies", "dial", verdict=words.say("verdict", verdict), n=n, all=dials.n)
        for verdict, n in dials.verdicts
    ]
    if dials.middle_pps is not None:
        speeds = {
            "middle": words.number(dials.middle_pps), "low": words.number(dials.low_pps),
            "high": words.number(dials.high_pps),
        }  # fmt: skip
        told.append(words.say("tallies", "speed", **speeds))
    return told


def _tell_first_cause(first: FirstCause, words: Words) -> list[str]:
    if first.low is None or first.high is None:
        return []
    low, high = (round(100.0 * one) for one in (first.low, first.high))
    return [
        words.say("tallies", "right", right=first.n_right, n=first.n, low=low, high=high),
        words.say("tallies", "listed", listed=first.n_listed, n=first.n),
    ]
