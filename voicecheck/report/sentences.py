"""Findings in plain words, for the owner."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from voicecheck.charts import SEVERITY, Words, count_decimals
from voicecheck.records import Comparison, Finding
from voicecheck.report.content import ReportContent

MOST_PHRASES = 3
FAMILIES = {
    "response": "response",
    "shape": "shape",
    "low_db": "level",
    "mid_db": "level",
    "high_db": "level",
    "at_1khz_db": "level",
    "sinad_db": "distortion",
    "psophometric_dbfs": "noise",
    "psophometric_dbm": "noise",
    "flat_dbfs": "noise",
    "c_message_dbfs": "noise",
    "mains_dbfs": "noise",
    "bursts_per_s": "noise",
    "compression_db": "linearity",
}
ORDER = ("level", "noise", "distortion", "response", "linearity", "shape", "other")
"""What matters most to somebody on the telephone first."""


def find_family(quantity: str) -> str:
    """Which kind of complaint a quantity belongs to."""
    return "distortion" if quantity.startswith("thd_") else FAMILIES.get(quantity, "other")


def say_value(value: float | None, unit: str, words: Words) -> str:
    """
    A value with its unit, to the decimals that the unit deserves.

    Parameters
    ----------
    value : float or None
    unit : str
    words : Words
    """
    decimals = count_decimals(value, unit)
    name = words.say("unit", unit) if unit else ""
    return f"{words.number(value, decimals)} {name}".rstrip()


@dataclass(frozen=True, slots=True)
class Statement:
    """A line of the owner's page: what it is about, in bold, and what is said of it."""

    about: str
    text: str


def say_finding(finding: Finding, words: Words) -> str:
    """
    One finding beyond a limit, as a phrase for the owner.

    Parameters
    ----------
    finding : Finding
        `outside` or `doubtful`.
    words : Words

    Returns
    -------
    str
        How far beyond the limit, not the bare value, where the quantity is a level.
    """
    value = finding.value or 0.0
    is_low = finding.low is not None and (
        finding.high is None or finding.low - value > value - finding.high
    )
    limit = finding.low if is_low else finding.high
    side = "low" if is_low else "high"
    key = f"{find_family(finding.quantity)}_{side}"
    return words.say(
        "owner",
        key if words.has("owner", key) else f"other_{side}",
        quantity=words.say("quantity", finding.quantity),
        value=say_value(finding.value, finding.unit, words),
        low=say_value(finding.low, finding.unit, words),
        high=say_value(finding.high, finding.unit, words),
        amount=words.number(abs(value - limit) if limit is not None else None),
        hz=words.number(round(finding.worst_hz, -1) if finding.worst_hz else None, 0),
    )


def tell_comparison(
    comparison: Comparison, words: Words, changes: Mapping[str, str] | None = None
) -> tuple[Statement, ...]:
    """
    A comparison with limits: one statement for each path.

    Parameters
    ----------
    comparison : Comparison
        Its own summary is used in English; other languages are told from the findings.
    words : Words
    changes : mapping of str to str, optional
        What to add for a path.

    Returns
    -------
    tuple of Statement
        For each path the worst finding of each kind, `outside` first.
    """
    if comparison.summary and words.code == "en":
        return tuple(Statement("", line) for line in comparison.summary)
    statements = []
    for path in dict.fromkeys(finding.path for finding in comparison.findings):
        findings = [finding for finding in comparison.findings if finding.path == path]
        phrases = _tell_path(findings, words)
        if changes and path in changes:
            phrases.append(changes[path])
        statements.append(Statement(words.say("path", path), "; ".join(phrases) + "."))
    return tuple(statements)


def _tell_path(findings: Sequence[Finding], words: Words) -> list[str]:
    bad = _choose_worst(findings)
    phrases = []
    for i, finding in enumerate(bad[:MOST_PHRASES]):
        phrase = say_finding(finding, words)
        if finding.verdict == "doubtful" and "doubtful" not in [f.verdict for f in bad[:i]]:
            # The gravest come first, so this one word holds for all that follow.
            phrase = words.say("owner", "doubtful", phrase=phrase)
        phrases.append(phrase)
    if len(bad) > MOST_PHRASES:
        phrases.append(words.say("owner", "more", n=len(bad) - MOST_PHRASES))
    is_within = any(finding.verdict == "within" for finding in findings)
    if bad:
        return [*phrases, words.say("owner", "within_others")] if is_within else phrases
    if is_within:
        return [words.say("owner", "within")]
    reason = next((finding.reason for finding in findings if finding.reason), "")
    return [words.say("owner", "not_comparable", reason=reason)]


def _choose_worst(findings: Sequence[Finding]) -> list[Finding]:
    """The worst finding of each family among those beyond a limit, the gravest first."""

    def rank(finding: Finding) -> tuple[int, int]:
        return SEVERITY.index(finding.verdict), ORDER.index(find_family(finding.quantity))

    chosen: dict[str, Finding] = {}
    bad = [finding for finding in findings if finding.verdict in ("outside", "doubtful")]
    for finding in sorted(bad, key=rank):
        chosen.setdefault(find_family(finding.quantity), finding)
    return list(chosen.values())


def tell_changes(comparison: Comparison | None, words: Words) -> dict[str, str]:
    """
    What changed from one stage to another, for each path, at 1 kHz.

    Parameters
    ----------
    comparison : Comparison or None
        Of two stages.
    words : Words

    Returns
    -------
    dict of str to str
        A phrase by path; empty where no such comparison was made.
    """
    if comparison is None:
        return {}
    return {
        finding.path: _tell_change(finding, words)
        for finding in comparison.findings
        if finding.quantity == "at_1khz_db" and finding.value is not None
    }


def _tell_change(finding: Finding, words: Words) -> str:
    change_db = round(finding.value or 0.0, 1)
    if change_db == 0.0:
        return words.say("owner", "same")
    sure = words.say("owner", "sure" if finding.verdict == "outside" else "unsure")
    key = "louder" if change_db > 0 else "quieter"
    return words.say("owner", key, amount=words.number(abs(change_db)), sure=sure)


def tell_found(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """What was found before the work."""
    comparison = content.find_limits_comparison(is_before=True)
    if comparison is not None:
        return tell_comparison(comparison, words)
    is_measured = any(run.stage == "before" for run in content.runs)
    return (Statement("", words.say("owner", "no_limits" if is_measured else "not_before")),)


def tell_done(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """What was done: the notes of the job, or what the caller gives."""
    done = content.job.notes if content.work_done is None else content.work_done
    return tuple(Statement("", line) for line in done or (words.say("owner", "no_work"),))


def tell_now(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """How the set is after the work, and how much that is a change."""
    if not any(run.stage not in ("before", "reference") for run in content.runs):
        return (Statement("", words.say("owner", "not_after")),)
    change = content.find_change_comparison()
    changes = tell_changes(change, words)
    comparison = content.find_limits_comparison(is_before=False)
    if comparison is None:
        told = [Statement(words.say("path", path), f"{text}.") for path, text in changes.items()]
        return (*told, Statement("", words.say("owner", "no_limits")))
    told = list(tell_comparison(comparison, words, changes))
    if change is not None and words.code == "en" and comparison.summary:
        told.extend(Statement("", line) for line in change.summary)
    return tuple(told)
