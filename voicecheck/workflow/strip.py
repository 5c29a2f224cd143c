"""What the marks of a set say, out of comparisons and checks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import get_args

from voicecheck.charts import say_value
from voicecheck.jobbook.traces import Compared, RunTrace, Traces
from voicecheck.records import (
    Against,
    BellCheck,
    Comparison,
    DialCheck,
    Finding,
    FlexCheck,
    LineCheck,
)
from voicecheck.records.quantities import family_of, says_nothing
from voicecheck.records.standing import Mark
from voicecheck.records.terms import JobStage, MarkKey, MarkState, PathName
from voicecheck.records.verdicts import find_gravest, rank_verdict
from voicecheck.report.sources import say_source
from voicecheck.words import Words
from voicecheck.workflow.checks.kinds import Check, get_kind
from voicecheck.workflow.checks.run import StoredCheck
from voicecheck.workflow.papers.lookup import choose_current

PATHS: dict[MarkKey, PathName] = {
    "talks": "transmit",
    "hears": "receive",
    "own-voice": "sidetone",
}
NOISY = ("crackle", "noise", "hum")
"""Families of the mark `crackle`, on every path; the others belong to the path's own mark."""
DIGITS = "1234567890"
PARTS = ("cord", "hook", "handset")
TIED_BY_CHANCE_PERCENT = 60.0
"""The time after its beat in which an event counts as an answer is this much of a beat at most."""
HELD = ("baseline", "stand-in")
"""Kinds of reference that say how a set is: good sets of its type, or what any set keeps to."""
MARK_KEYS: tuple[MarkKey, ...] = get_args(MarkKey)
CHECKS: dict[MarkKey, str] = {"dials": "dial", "rings": "bell", "cord": "flex", "line": "line"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """State of one mark at one stage."""

    state: MarkState
    sentence: str = ""
    partly: str = ""
    simulated: bool = False


def make_marks(
    traces: Traces, checks: Sequence[StoredCheck], stage: JobStage, words: Words
) -> tuple[Mark, ...]:
    """
    The strip of a set.

    Parameters
    ----------
    traces : Traces
    checks : sequence of StoredCheck
        Those that count, the oldest first.
    stage : str
        Of the job.
    words : Words
    """
    look = _Look(traces=traces, checks=checks, words=words)
    return tuple(_make_mark(key, stage, look) for key in MARK_KEYS)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """What a mark is read from."""

    traces: Traces
    checks: Sequence[StoredCheck]
    words: Words


def _make_mark(key: MarkKey, stage: JobStage, look: _Look) -> Mark:
    found, now = _say(key, "before", look), _say(key, "after", look)
    has_now = stage == "after" or now.state != "not tested"
    shown = found if not has_now or now.state == "not tested" else now
    return Mark(
        key=key,
        as_found=found.state,
        now=now.state if has_now else None,
        sentence=shown.sentence or look.words.say("standing", "not tested"),
        partly=shown.partly,
        simulated=found.simulated or now.simulated,
    )


def _say(key: MarkKey, stage: JobStage, look: _Look) -> Said:
    words = look.words
    if key in CHECKS:
        found = [one for one in look.checks if one.kind == CHECKS[key] and one.stage == stage]
        return SAY_CHECK[key](found, words) if found else Said(state="not tested")
    counting = (run for run in look.traces.runs if not run.aside)
    current = choose_current(tuple(counting), lambda run: run.n_seats)
    swept = {path: run for (path, at), run in current.items() if at == stage}
    wanted = [PATHS[key]] if key in PATHS else list(PATHS.values())
    present = [path for path in wanted if path in swept]
    if not present:
        return Said(state="not tested")
    missing = [words.say("path_term", path) for path in wanted if path not in swept]
    partly = words.say("standing", "paths_missing", names=", ".join(missing)) if missing else ""
    state, sentence = _judge(key, stage, [swept[path] for path in present], look)
    simulated = any(swept[path].is_simulated for path in present)
    return Said(state=state, sentence=sentence, partly=partly, simulated=simulated)


def _judge(
    key: MarkKey, stage: JobStage, runs: Sequence[RunTrace], look: _Look
) -> tuple[MarkState, str]:
    """State and sentence of what was swept."""
    words = look.words
    held = _find_compared(look.traces, stage, *HELD)
    newest = max(run.saved_utc for run in runs)
    if held is None:
        return "not comparable", words.say("standing", "not_compared")
    if held.is_overtaken or held.made_utc < newest:
        return "not comparable", words.say("standing", "overtaken")
    judged = judge_part(key, held.comparison, words)
    if judged is None:
        return "not comparable", words.say("standing", "not_compared")
    state, sentence = judged
    pair = _find_compared(look.traces, stage, "before")
    if pair is None or pair.is_overtaken or pair.made_utc < newest:
        return state, sentence
    change = _say_change(key, choose_findings(key, pair.comparison.findings), words)
    return state, "; ".join(part for part in (sentence, change) if part)


def _find_compared(traces: Traces, stage: str, *kinds: str) -> Compared | None:
    found = [
        one
        for one in traces.compared
        if one.comparison.stage == stage and one.comparison.against.kind in kinds
    ]
    return max(found, key=lambda one: one.made_utc, default=None)


def judge_part(key: MarkKey, comparison: Comparison, words: Words) -> tuple[MarkState, str] | None:
    """
    State and sentence of one part of a set, by what it is held against; `None` if it is not in it.

    Parameters
    ----------
    key : str
        Of a part that is swept.
    comparison : Comparison
        With limits, not with another stage.
    words : Words
    """
    findings = choose_findings(key, comparison.findings)
    if not findings:
        return None
    state = find_gravest(finding.verdict for finding in findings)
    return state, _say_findings(findings, state, comparison.against, words)


def choose_findings(key: MarkKey, findings: Iterable[Finding]) -> list[Finding]:
    """Findings that the mark of a part that is swept speaks of."""
    if key == "crackle":
        # A loop is the bench's own: what rustles there is no part of the set.
        of_set = (one for one in findings if one.path in PATHS.values())
        return [one for one in of_set if family_of(one.quantity) in NOISY]
    return [
        one for one in findings if one.path == PATHS[key] and family_of(one.quantity) not in NOISY
    ]


def _say_findings(
    findings: Sequence[Finding], state: MarkState, against: Against, words: Words
) -> str:
    if state == "within":
        if against.kind == "mask":
            return words.say("standing", "within_mask")
        key = "within" if against.n else "within_wide"
        return words.say("standing", key, n=against.n or 0)
    worst = [one for one in findings if one.verdict == state]
    if state == "not comparable":
        return words.say("standing", "no_limits", reason=worst[0].reason)
    level = next((one for one in worst if family_of(one.quantity) == "level"), None)
    told = say_level(level, words) if level is not None else _say_worst(worst[0], words)
    return words.say("owner", "doubtful", phrase=told) if state == "doubtful" else told


def _say_worst(finding: Finding, words: Words) -> str:
    """What is beyond a limit and no level, without a figure that only an engineer reads."""
    from voicecheck.report.sentences import say_finding

    family, high = family_of(finding.quantity), finding.high
    if high is None or finding.value is None or not words.has("standing", f"{family}_high"):
        return say_finding(finding, words)
    return words.say(
        "standing",
        f"{family}_high",
        amount=words.number(finding.value - high),
        value=say_value(finding.value, finding.unit, words, quantity=finding.quantity),
        high=say_value(high, finding.unit, words, quantity=finding.quantity),
    )


def say_level(finding: Finding, words: Words) -> str:
    """
    A level beyond its limits, against what is usual.

    Parameters
    ----------
    finding : Finding
        With its reference, the mean of good sets; dB.
    words : Words

    Returns
    -------
    str
        Without the limits where they are so wide that they say nothing.
    """
    limits = [one for one in (finding.low, finding.high) if one is not None]
    middle = finding.reference if finding.reference is not None else math.fsum(limits) / len(limits)
    off = (finding.value or 0.0) - middle
    usual = max(abs(limit - middle) for limit in limits) if limits else math.inf
    key = "level_high" if off > 0.0 else "level_low"
    if says_nothing(usual, "dB"):
        return words.say("standing", f"{key}_wide", amount=words.number(abs(off)))
    return words.say("standing", key, amount=words.number(abs(off)), usual=words.number(usual))


def _say_change(key: MarkKey, findings: Sequence[Finding], words: Words) -> str:
    """What is surely another than as found; "" where nothing is."""
    family = "noise" if key == "crackle" else "level"
    changed = [
        one
        for one in findings
        if family_of(one.quantity) == family and one.verdict == "outside" and one.value
    ]
    if not changed:
        return ""
    most = max(changed, key=lambda one: abs(one.value or 0.0))
    side = "up" if (most.value or 0.0) > 0.0 else "down"
    name = "noise" if key == "crackle" else "change"
    return words.say("standing", f"{name}_{side}", amount=words.number(abs(most.value or 0.0)))


def judge_check(check: Check) -> MarkState:
    """
    Verdict on one check, by what it found; "not comparable" where nothing is held against it.

    Parameters
    ----------
    check : record

    Notes
    -----
    A bell has two notes and a cord is quiet (S57, S41: trade).
    """
    if isinstance(check, BellCheck):
        return "outside" if not check.rings else "doubtful" if len(check.gongs_hz) < 2 else "within"
    if isinstance(check, FlexCheck):
        if not check.events:
            return "within"
        return "doubtful" if _is_untied(check) else "outside"
    if isinstance(check, LineCheck) and any(one.kind == "open-loop" for one in check.problems):
        return "outside"
    known = [one for one in getattr(check, "findings", ()) if one.value is not None]
    judged = {one.quantity for one in known if one.verdict != "not comparable"}
    # What is only told beside a limit takes no verdict away.
    findings = [
        one for one in known if one.verdict != "not comparable" or one.quantity not in judged
    ]
    if isinstance(check, DialCheck) and not check.region:
        return "outside" if any(one.verdict == "outside" for one in findings) else "not comparable"
    return find_gravest(one.verdict for one in findings)


def _is_untied(check: FlexCheck) -> bool:
    """Whether no more of the events followed a movement than would by themselves."""
    return check.tied_percent is not None and check.tied_percent <= TIED_BY_CHANCE_PERCENT


def _say_stored(checks: Sequence[StoredCheck], *, partly: str = "") -> Said:
    """The gravest of what counts, in its own words."""
    worst = min(checks, key=lambda one: rank_verdict(judge_check(one.check)))
    told = get_kind(worst.kind).describe(worst.check)
    return Said(
        state=judge_check(worst.check),
        sentence=told,
        partly=partly,
        simulated=any(one.is_simulated for one in checks),
    )


def _say_dial(checks: Sequence[StoredCheck], words: Words) -> Said:
    dialled = "".join(one.check.number for one in checks if isinstance(one.check, DialCheck))
    missing = [digit for digit in DIGITS if digit not in dialled]
    partly = words.say("standing", "digits_missing", names=" ".join(missing)) if missing else ""
    said = _say_stored(checks[-1:], partly=partly)
    check = checks[-1].check
    if isinstance(check, DialCheck):
        worst = [one for one in check.findings if one.verdict == said.state != "within"]
        sentence = say_limit(worst[0], words) if worst else said.sentence
        if not check.region:
            sentence = words.say("standing", "no_region", told=said.sentence)
        return Said(state=said.state, sentence=sentence, partly=partly, simulated=said.simulated)
    return said


def say_limit(finding: Finding, words: Words) -> str:
    """
    What a check found beyond a limit, with what is usual and who says so.

    Parameters
    ----------
    finding : Finding
    words : Words
    """
    low, high = (words.number(limit, 1) for limit in (finding.low, finding.high))
    limits = words.say("report", "from_to", low=low, high=high)
    if finding.low is None or finding.high is None:
        side = "to" if finding.low is None else "from"
        limits = words.say("report", side, low=low, high=high)
    return words.say(
        "standing",
        "dial_line" if finding.limit == "line" else "dial_outside",
        name=words.say("quantity", finding.quantity),
        value=say_value(finding.value, finding.unit, words, quantity=finding.quantity),
        limits=limits,
        source=say_source(finding.reason or finding.source, words),
    )


def _say_flex(checks: Sequence[StoredCheck], words: Words) -> Said:
    latest = {one.part: one for one in checks}
    missing = [part for part in PARTS if part not in latest]
    names = ", ".join(words.say("flex_part", part) for part in missing)
    partly = words.say("standing", "parts_missing", names=names) if missing else ""
    said = _say_stored(tuple(latest.values()), partly=partly)
    if said.state != "doubtful":
        return said
    sentence = words.say("standing", "cord_untied", told=said.sentence)
    return Said(state=said.state, sentence=sentence, partly=partly, simulated=said.simulated)


def _say_bell(checks: Sequence[StoredCheck], words: Words) -> Said:
    said = _say_stored(checks[-1:])
    if said.state != "doubtful":
        return said
    sentence = words.say("standing", "bell_one", told=said.sentence)
    return Said(state=said.state, sentence=sentence, simulated=said.simulated)


def _say_line(checks: Sequence[StoredCheck], _words: Words) -> Said:
    return _say_stored(checks[-1:])


SAY_CHECK: dict[MarkKey, Callable[[Sequence[StoredCheck], Words], Said]] = {
    "dials": _say_dial,
    "rings": _say_bell,
    "cord": _say_flex,
    "line": _say_line,
}
