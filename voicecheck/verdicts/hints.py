"""Likely causes with their probabilities: the fault table held against the evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from voicecheck.records import Baseline, Comparison, Hint, Problem, Run
from voicecheck.records.trials import Trial
from voicecheck.records.verdicts import TELLING
from voicecheck.verdicts import trialodds
from voicecheck.verdicts.besides import find_unexplained, leave_unexplained
from voicecheck.verdicts.evidence import Usual, gather_evidence, gather_usual
from voicecheck.verdicts.faults import FaultRow, FaultTable, load_fault_table
from voicecheck.verdicts.likelihood import (
    Cases,
    Foretold,
    Odds,
    Posterior,
    foretell,
    read_clues,
    weigh,
)
from voicecheck.verdicts.signatures import Form, load_clues

OTHER = "other"
OTHER_CAUSE = "something else, or chance"
OTHER_SHARE, NOTHING_SHARE = 0.10, 0.03
"""Of all sets that come with something outside (PROP)."""
FAINT_SHARE = 0.3
"""Of sets of which nothing is more than doubtful, how many have nothing wrong (PROP)."""
BOOK_WEIGHT = 40.0
"""A book's own answers move the shares as if the table rested on so many (PROP)."""
MOST_HINTS = 5
LEAST_PROBABILITY = 0.02
"""A cause below it is told with something else."""
UNUSUAL_SD = 2.0
HIGH_PROBABILITY, MEDIUM_PROBABILITY = 0.6, 0.25
BESIDE_PROBABILITY = 0.5
"""A second cause is named from it on (PROP)."""
MOST_BESIDES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighedCause:
    """A row of the table and its probability."""

    row: FaultRow
    probability: float


@lru_cache(maxsize=8)
def _foretell_rows(forms: tuple[tuple[Form, ...], ...]) -> Foretold:
    return foretell(forms)


def weigh_rows(
    cases: Cases,
    rows: Sequence[FaultRow],
    *,
    answers: Mapping[str, int] | None = None,
    is_faint: bool = False,
    outcomes: Mapping[str, float] | None = None,
) -> Posterior:
    """
    Probability of each row in many cases at once.

    Parameters
    ----------
    cases : Cases
    rows : sequence of FaultRow
    answers : mapping of str to int, optional
        How often each code turned out to be the cause in this book; `OTHER` for none of them.
    is_faint : bool
        Whether nothing is more than doubtful.
    outcomes : mapping of str to float, optional
        Likelihood of what trials gave under each code, as `weigh_outcomes` gives it.

    Returns
    -------
    Posterior
    """
    nothing = FAINT_SHARE if is_faint else NOTHING_SHARE
    told = answers or {}
    total = sum(row.share for row in rows)
    counts = [told.get(row.code, 0) for row in rows]
    others = sum(told.values()) - sum(counts)
    held = BOOK_WEIGHT + sum(told.values())
    named = 1.0 - OTHER_SHARE - nothing
    # Dirichlet counts: the table's shares as if they rested on `BOOK_WEIGHT` answers.
    causes = tuple(
        (BOOK_WEIGHT * named * row.share / total + count) / held
        for row, count in zip(rows, counts, strict=True)
    )
    # Trials come beside what was measured: their likelihood multiplies the odds.
    tried = outcomes or {}
    usual = tried.get(trialodds.EVERY, 1.0)
    odds = Odds(
        causes=tuple(
            share * tried.get(row.code, usual) for row, share in zip(rows, causes, strict=True)
        ),
        other=(BOOK_WEIGHT * OTHER_SHARE + others) / held * tried.get(trialodds.OTHER, usual),
        nothing=BOOK_WEIGHT * nothing / held * tried.get(trialodds.NOTHING, usual),
    )
    return weigh(cases, _foretell_rows(tuple(row.forms for row in rows)), odds)


def rank_causes(
    evidence: Mapping[str, float],
    usual: Mapping[str, Usual] | None = None,
    *,
    table: FaultTable | None = None,
    answers: Mapping[str, int] | None = None,
    is_faint: bool = False,
    outcomes: Mapping[str, float] | None = None,
) -> tuple[WeighedCause, ...]:
    """
    Rows of the fault table that what was measured can speak for or against, most probable first.

    Parameters
    ----------
    evidence : mapping of str to float
        As `gather_evidence` gives it.
    usual : mapping of str to Usual, optional
        As `gather_usual` gives it.
    table : FaultTable, optional
        The user's own; else the one shipped.
    answers : mapping of str to int, optional
        How often each code turned out to be the cause in this book.
    is_faint : bool
        Whether nothing is more than doubtful.
    outcomes : mapping of str to float, optional
        As `weigh_rows` has them.

    Returns
    -------
    tuple of WeighedCause
        What their probabilities lack of 1 is something else, or nothing at all.
    """
    cases = read_clues(evidence, usual or {})
    values = zip(load_clues(), cases.value[0], strict=True)
    known = {name for name, value in values if math.isfinite(value)}
    every = (table or load_fault_table()).rows
    rows = [row for row in every if _list_moved(row) & known]
    if not rows:
        return ()
    found = weigh_rows(cases, rows, answers=answers, is_faint=is_faint, outcomes=outcomes)
    order = np.argsort(-found.causes[0], kind="stable")
    return tuple(WeighedCause(row=rows[k], probability=float(found.causes[0, k])) for k in order)


def rank_besides(
    first: FaultRow,
    evidence: Mapping[str, float],
    usual: Mapping[str, Usual] | None = None,
    *,
    table: FaultTable | None = None,
    answers: Mapping[str, int] | None = None,
) -> tuple[WeighedCause, ...]:
    """
    Causes of what the first one leaves unexplained.

    Parameters
    ----------
    first : FaultRow
    evidence, usual, table, answers
        As `rank_causes` has them.

    Returns
    -------
    tuple of WeighedCause
        At most two, the second of what both leave. Each is the most probable of a list of its own,
        in which the clues that are explained already have no part. Empty where nothing is left
        unexplained, or no cause of it is likely.
    """
    left, row = dict(evidence), first
    found: list[WeighedCause] = []
    while len(found) < MOST_BESIDES and find_unexplained(row, left, usual or {}):
        left = leave_unexplained(row, left)
        ranked = rank_causes(left, usual, table=table, answers=answers)
        if not ranked or ranked[0].probability < BESIDE_PROBABILITY:
            break
        found.append(ranked[0])
        row = ranked[0].row
    return tuple(found)


def _list_moved(row: FaultRow) -> set[str]:
    """Clues that a cause moves."""
    clues = load_clues()
    return {
        term.name
        for form in row.forms
        for term in form
        if clues[term.name].usual not in (term.mild, term.severe)
    }


def rank_hints(
    comparison: Comparison | None,
    runs: Mapping[str, Run],
    baselines: Mapping[str, Baseline],
    *,
    problems: Mapping[str, Sequence[Problem]] | None = None,
    extra: Mapping[str, float] | None = None,
    table: FaultTable | None = None,
    answers: Mapping[str, int] | None = None,
    trials: Sequence[Trial] = (),
) -> tuple[Hint, ...]:
    """
    Likely causes of what a comparison found, most probable first.

    Parameters
    ----------
    comparison : Comparison or None
        Against the baseline.
    runs : mapping of str to Run
    baselines : mapping of str to Baseline
        Both by path.
    problems : mapping of str to sequence of Problem, optional
        Of paths whose recordings could not be used.
    extra : mapping of str to float, optional
        Results of separating tests ("test.flex_events_per_min") and other instruments.
    table : FaultTable, optional
    answers : mapping of str to int, optional
        How often each code turned out to be the cause in this book.
    trials : sequence of Trial
        Done on the set at that stage, one of a name.

    Returns
    -------
    tuple of Hint
        Up to five, at least one of them a cause in the jig, and then "other"; their probabilities
        add up to 1. `separate_by` tells a hint from the next one. After them stands what is likely
        `beside` the first, where that leaves something unexplained. Empty where a comparison finds
        everything within.
    """
    if comparison is not None and comparison.overall == "within" and not problems:
        return ()
    evidence = gather_evidence(runs, baselines, problems=problems, extra=extra)
    verdicts = {finding.verdict for finding in comparison.findings} if comparison else set()
    is_tested = _tells(extra or {})
    is_told = bool(verdicts & set(TELLING)) or bool(problems) or is_tested
    if comparison is not None and not is_told:
        return ()
    usual = gather_usual(baselines)
    ranked = rank_causes(
        evidence, usual, table=table, answers=answers,
        is_faint="outside" not in verdicts and not problems and not is_tested,
        outcomes=trialodds.weigh_outcomes(trials),
    )  # fmt: skip
    chosen = _choose(ranked)
    rest = 1.0 - sum(cause.probability for cause in chosen)
    hints = (*(_make_hint(cause, evidence) for cause in chosen), _make_other(max(0.0, rest)))
    if not chosen or chosen[0].probability < MEDIUM_PROBABILITY:
        return hints
    findings = comparison.findings if comparison else ()
    outside = {one.path for one in findings if one.verdict == "outside"} | set(problems or {})
    unexplained = tuple(
        one
        for one in find_unexplained(chosen[0].row, evidence, usual)
        if one.partition(".")[0] in outside
    )
    if not unexplained:
        return hints
    besides = rank_besides(chosen[0].row, evidence, usual, table=table, answers=answers)
    return (
        replace(hints[0], unexplained=unexplained),
        *hints[1:],
        *(replace(_make_hint(cause, evidence), beside=True) for cause in besides),
    )


def _tells(extra: Mapping[str, float]) -> bool:
    """Whether a separating test or another instrument found something unusual."""
    clues = load_clues()
    return any(
        abs(clues[name].to_scale(value) - clues[name].usual) > UNUSUAL_SD * clues[name].spread
        for name, value in extra.items()
        if name in clues and math.isfinite(value)
    )


def _choose(ranked: Sequence[WeighedCause]) -> tuple[WeighedCause, ...]:
    """The most probable, and the most probable one in the jig where none of them is."""
    likely = [one for one in ranked[:MOST_HINTS] if one.probability >= LEAST_PROBABILITY]
    jig = [one for one in ranked if one.row.is_jig][:1]
    if jig and not any(one.row.is_jig for one in likely):
        likely = [*likely[: MOST_HINTS - 1], *jig]
    return tuple(likely)


def _rate_confidence(probability: float) -> str:
    if probability >= HIGH_PROBABILITY:
        return "high"
    return "medium" if probability >= MEDIUM_PROBABILITY else "low"


def _make_hint(cause: WeighedCause, evidence: Mapping[str, float]) -> Hint:
    row, moved = cause.row, _list_moved(cause.row)
    seen = "; ".join(
        f"{name.replace('.', ' ')} {evidence[name]:+.1f}"
        for name in load_clues()
        if name in moved and name in evidence
    )
    return Hint(
        code=row.code,
        cause="; ".join(row.causes),
        probability=cause.probability,
        confidence=_rate_confidence(cause.probability),
        separate_by=row.separate_by,
        provenance=row.provenance,
        symptom=row.symptom,
        check=row.check,
        next_test=row.next_test,
        seen=seen,
        sources=row.sources,
    )


def _make_other(probability: float) -> Hint:
    return Hint(
        code=OTHER,
        cause=OTHER_CAUSE,
        probability=probability,
        confidence=_rate_confidence(probability),
        separate_by="measure again; try a known element, receiver and cord one at a time",
        provenance="PROP",
    )
