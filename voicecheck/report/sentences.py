"""Findings in plain words, in every language by its file: the only place that makes them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from voicecheck.charts import is_held_against_limits, is_wide, say_value
from voicecheck.records import Against, Comparison, Finding, Job
from voicecheck.records.quantities import family_of, says_nothing
from voicecheck.records.sets import Work
from voicecheck.records.terms import Family, words_of
from voicecheck.records.verdicts import TELLING, rank_verdict
from voicecheck.report.content import ReportContent
from voicecheck.words import Words

MOST_PHRASES = 3
ALWAYS_TOLD = "crackle"
"""Beside those: frying is the commonest complaint of carbon, and takes no other finding's place."""
OWNER_CHANGES = ("level", "crackle")
"""What the owner hears of a change without reading the table."""
FAMILIES = (*words_of(Family), "")
"""What matters most to somebody on the telephone first, quantities of a later version last."""
SMALLEST_CHANGE = 0.05
"""A difference that would be told as 0.0 tells nothing."""
SMALLEST_OF = "mid_db"
"""Level of the middle band: what a change of loudness is told by."""
CHANGED = ("part", "adjustment")
"""Kinds of work that are told as done."""
GONE_PER_S = 0.05
"""Bursts a second below which a crackle is told as gone: one in 20 s, less than a sweep lasts."""


@dataclass(frozen=True, slots=True)
class Statement:
    """A line of the owner's page: what it is about, in bold, and what is said of it."""

    about: str
    text: str


def say_finding(finding: Finding, words: Words, *, is_wide: bool = False) -> str:
    """
    One finding beyond a limit, as a phrase for the owner.

    Parameters
    ----------
    finding : Finding
        `outside` or `doubtful`.
    words : Words
    is_wide : bool
        The limits stand in for those of the type: nothing is said of its healthy sets.

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
    names = (finding.quantity, family_of(finding.quantity), "other")
    return _say_first(
        words,
        "owner",
        [f"{name}_{side}{end}" for name in names for end in (("_wide", "") if is_wide else ("",))],
        quantity=words.say("quantity", finding.quantity),
        value=_say_of(finding, finding.value, words),
        low=_say_of(finding, finding.low, words),
        high=_say_of(finding, finding.high, words),
        amount=words.number(abs(value - limit) if limit is not None else None),
        hz=words.number(round(finding.worst_hz, -1) if finding.worst_hz else None, 0),
    )


def _say_of(finding: Finding, value: float | None, words: Words) -> str:
    return say_value(value, finding.unit, words, quantity=finding.quantity)


def _say_first(words: Words, section: str, keys: Sequence[str], **values: object) -> str:
    """The first of several sentences that there is; the last of them always is."""
    key = next((key for key in keys if words.has(section, key)), keys[-1])
    return words.say(section, key, **values)


def tell_comparison(
    comparison: Comparison, words: Words, changes: Mapping[str, str] | None = None
) -> tuple[Statement, ...]:
    """
    A comparison in statements, one for each path.

    Parameters
    ----------
    comparison : Comparison
    words : Words
    changes : mapping of str to str, optional
        What to add for a path, where it is held against limits.

    Returns
    -------
    tuple of Statement
        For each path the worst finding of each family, `outside` first, and what could not be
        compared. Between two stages it is said that better or worse is not judged.
    """
    is_change = not is_held_against_limits(comparison)
    statements = []
    for path in dict.fromkeys(finding.path for finding in comparison.findings):
        findings = [finding for finding in comparison.findings if finding.path == path]
        if is_change:
            phrases = _tell_path_change(findings, comparison.against, words)
        else:
            phrases = _tell_path(findings, words, is_wide=is_wide(comparison))
        if changes and path in changes:
            phrases.append(changes[path])
        statements.append(Statement(words.say("path", path), "; ".join(phrases) + "."))
    if is_change and any(finding.verdict in TELLING for finding in comparison.findings):
        statements.append(Statement("", words.say("change", "not_judged")))
    notes = (Statement("", f"{note[:1].upper()}{note[1:]}.") for note in comparison.notes)
    return (*statements, *notes)


def _tell_path(findings: Sequence[Finding], words: Words, *, is_wide: bool) -> list[str]:
    bad = _choose_worst(finding for finding in findings if finding.verdict in TELLING)
    others = [f for f in bad if family_of(f.quantity) != ALWAYS_TOLD]
    shown = [f for f in bad if f not in others[MOST_PHRASES:]]
    phrases = []
    for i, finding in enumerate(shown):
        phrase = say_finding(finding, words, is_wide=is_wide)
        if finding.verdict == "doubtful" and "doubtful" not in [f.verdict for f in shown[:i]]:
            # The gravest come first, so this one word holds for all that follow.
            phrase = words.say("owner", "doubtful", phrase=phrase)
        phrases.append(phrase)
    if len(bad) > len(shown):
        phrases.append(words.say("owner", "more", n=len(bad) - len(shown)))
    if any(finding.verdict == "within" for finding in findings):
        whole = "within_wide" if is_wide else "within"
        phrases.append(words.say("owner", "within_others" if bad else whole))
    elif not bad:
        reason = next((finding.reason for finding in findings if finding.reason), "")
        return [words.say("owner", "not_comparable", reason=reason)]
    return phrases + _tell_refused(findings, words)


def _tell_refused(findings: Sequence[Finding], words: Words) -> list[str]:
    """What could not be compared, by families, once for each reason."""
    reasons: dict[str, dict[str, None]] = {}
    for finding in findings:
        if finding.verdict == "not comparable":
            family = family_of(finding.quantity)
            name = words.say(*("family", family) if family else ("quantity", finding.quantity))
            reasons.setdefault(finding.reason, {})[name] = None
    return [
        words.say("owner", "not_compared", names=", ".join(names), reason=reason)
        for reason, names in reasons.items()
    ]


def _choose_worst(findings: Iterable[Finding]) -> list[Finding]:
    """The worst finding of each family, the gravest first."""

    def rank(finding: Finding) -> tuple[int, int]:
        return rank_verdict(finding.verdict), FAMILIES.index(family_of(finding.quantity))

    chosen: dict[str, Finding] = {}
    for finding in sorted(findings, key=rank):
        # What no family is known of stands for itself.
        chosen.setdefault(family_of(finding.quantity) or finding.quantity, finding)
    return list(chosen.values())


def _tell_path_change(findings: Sequence[Finding], against: Against, words: Words) -> list[str]:
    phrases = tell_differences(findings, against, words)
    return phrases + _tell_smallest(findings, words) + _tell_refused(findings, words)


def tell_differences(
    findings: Sequence[Finding], against: Against, words: Words, *, is_sure_said: bool = True
) -> list[str]:
    """
    What differs between two stages, the gravest first; of each family the worst.

    Parameters
    ----------
    findings : sequence of Finding
        Of one path or one part of a set.
    against : Against
    words : Words
    is_sure_said : bool
        Whether each says if it is a real change.

    Returns
    -------
    list of str
        Phrases; empty where nothing could be compared.
    """
    found = _choose_worst(f for f in findings if f.verdict in TELLING and f.value is not None)
    loudness = [finding for finding in found if family_of(finding.quantity) == "level"]
    phrases = [
        say_change(finding, against, words, is_sure_said=is_sure_said)
        for finding in found
        # The curve's worst point says what the level has said.
        if not (loudness and finding.quantity == "response")
        and (finding.verdict == "outside" or abs(finding.value or 0.0) >= SMALLEST_CHANGE)
    ]
    if not phrases and any(finding.verdict == "within" for finding in findings):
        phrases = [words.say("change", "none", when=_say_when(against, words))]
    return phrases


def _tell_smallest(findings: Sequence[Finding], words: Words) -> list[str]:
    """How small a change of level could have been and still be found."""
    level = next((f for f in findings if f.quantity == SMALLEST_OF and f.value is not None), None)
    if level is None:
        return []
    if level.detectable is None:
        return [words.say("change", "smallest_unknown")]
    if says_nothing(level.detectable, level.unit):
        return [words.say("change", "smallest_wide")]
    return [words.say("change", "smallest", amount=words.number(level.detectable))]


def _say_when(against: Against, words: Words) -> str:
    name = words.say_own("stage", against.name, against.name)
    return _say_first(words, "change", [f"when_{against.kind}", "when_run"], name=name)


def say_change(
    finding: Finding, against: Against, words: Words, *, is_sure_said: bool = True
) -> str:
    """
    One difference between two stages or elements, as a phrase.

    Parameters
    ----------
    finding : Finding
        Its value is the difference, its reference what there was before.
    against : Against
    words : Words
    is_sure_said : bool
        Whether it says if it is a real change.
    """
    value, past = finding.value or 0.0, finding.reference
    now = None if past is None else past + value
    key = _choose_change_key(finding, now, words)
    sure = words.say("change", "sure" if finding.verdict == "outside" else "unsure")
    return words.say(
        "change",
        key,
        amount=words.number(value, sign=True) if key == "other_by" else words.number(abs(value)),
        quantity=words.say("quantity", finding.quantity),
        unit=words.say("unit", finding.unit),
        place=_say_place(finding, words),
        now=_say_of(finding, now, words),
        past=_say_of(finding, past, words),
        reason=finding.reason,
        when=_say_when(against, words),
        sure=sure if is_sure_said else "",
    )


def _choose_change_key(finding: Finding, now: float | None, words: Words) -> str:
    family = {"response": "level"}.get(finding.quantity, family_of(finding.quantity))
    value = round(finding.value or 0.0, 1)
    side = "up" if value > 0.0 else "down"
    if family == "level":
        return f"level_{side}" if value else "level_same"
    if finding.quantity == "bursts_per_s" and now is not None and now <= GONE_PER_S:
        return "crackle_gone"
    if now is None and finding.worst_hz is None:
        return "other_by"
    keys = (f"{family}_{side}", family)
    return next((key for key in keys if words.has("change", key)), "other")


def _say_place(finding: Finding, words: Words) -> str:
    if words.has("place", finding.quantity):
        return words.say("place", finding.quantity)
    if finding.worst_hz is None:
        return f" ({words.say('quantity', finding.quantity)})"
    return words.say("change", "place_near", hz=words.number(round(finding.worst_hz, -1), 0))


def tell_changes(comparison: Comparison | None, words: Words) -> dict[str, str]:
    """
    What changed from one stage to another, for each path: its level, and a crackle for sure.

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
    told = {}
    for path in dict.fromkeys(finding.path for finding in comparison.findings):
        findings = [f for f in comparison.findings if f.path == path and _is_for_owner(f)]
        phrases = [say_change(f, comparison.against, words) for f in _choose_worst(findings)]
        if phrases:
            told[path] = "; ".join(phrases)
    return told


def _is_for_owner(finding: Finding) -> bool:
    family = family_of(finding.quantity)
    is_told = family in OWNER_CHANGES and finding.value is not None
    return is_told and (family == "level" or finding.verdict == "outside")


def tell_left(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """What has changed since the set left its last job; empty where that is not known."""
    comparison = content.find_left_comparison()
    return tell_comparison(comparison, words) if comparison is not None else ()


def tell_found(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """What was found before the work."""
    comparison = content.find_limits_comparison(is_before=True)
    if comparison is not None:
        return tell_comparison(comparison, words)
    is_measured = any(run.stage == "before" for run in content.runs)
    return (Statement("", words.say("owner", "no_limits" if is_measured else "not_before")),)


def say_work(work: Work, words: Words) -> str:
    """One entry of the work on a set, as a phrase."""
    values: dict[str, object] = {"what": work.what, "old": work.old_value, "new": work.new_value}
    key: str = work.kind
    if work.value is not None:
        values["value"] = f"{work.value:g}"
    elif work.kind == "hazard":
        key, values["answer"] = "answered" if work.answer else key, work.answer
    elif work.old_value or work.new_value:
        which = "both" if work.old_value and work.new_value else "old" if work.old_value else "new"
        key = f"{key}_{which}"
    text = words.say("work", key, **values)
    return words.say("work", "withdrawn", text=text, why=work.withdrawn) if work.withdrawn else text


def list_done(job: Job, words: Words) -> tuple[str, ...]:
    """Parts and adjustments that count, then the notes."""
    changes = (one for one in job.work if one.kind in CHANGED and not one.withdrawn)
    return (*(say_work(one, words) for one in changes), *job.notes)


def tell_done(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """What was done: the work and the notes of the job, or what the caller gives."""
    done = list_done(content.job, words) if content.work_done is None else content.work_done
    return tuple(Statement("", line) for line in done or (words.say("owner", "no_work"),))


def tell_now(content: ReportContent, words: Words) -> tuple[Statement, ...]:
    """How the set is after the work, and how much that is a change."""
    if not any(run.stage not in ("before", "reference") for run in content.runs):
        return (Statement("", words.say("owner", "not_after")),)
    changes = tell_changes(content.find_change_comparison(), words)
    comparison = content.find_limits_comparison(is_before=False)
    if comparison is None:
        told = [Statement(words.say("path", path), f"{text}.") for path, text in changes.items()]
        return (*told, Statement("", words.say("owner", "no_limits")))
    return tell_comparison(comparison, words, changes)
