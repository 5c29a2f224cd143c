"""Records in words for a screen, the same words as on paper."""

from __future__ import annotations

from voicecheck.charts import load_words
from voicecheck.records import Finding
from voicecheck.report import is_from_memory

SEVERITY = ("outside", "doubtful", "within", "not comparable")


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


def order_findings(findings: tuple[Finding, ...]) -> list[Finding]:
    """The worst verdicts first, else as they were found."""
    return sorted(findings, key=lambda finding: SEVERITY.index(finding.verdict))


def say_source(text: str, language: str = "en") -> str:
    """Where a limit or a cause comes from, with the mark of what was not seen in a source."""
    mark = load_words(language).say("report", "memory_mark")
    return f"{text} {mark}" if is_from_memory(text) else text
