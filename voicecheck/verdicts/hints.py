"""Likely causes, ranked: the fault table held against the evidence."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from voicecheck.records import Baseline, Comparison, Hint, Problem, Run
from voicecheck.verdicts.evidence import gather_evidence
from voicecheck.verdicts.faults import (
    CONFIDENCES,
    FaultRow,
    FaultTable,
    load_fault_table,
    match_row,
)

LEAST_MATCH = 0.3
"""A row that matches less is not mentioned."""
JIG_MATCH = 0.7
"""From here on a cause in the jig comes before every cause in the set."""
ELSEWHERE = 0.25
"""Taken off a row that speaks of paths where nothing is outside, while something is elsewhere."""
HIGH_MATCH, MEDIUM_MATCH = 0.75, 0.55
CLEAR_LEAD = 0.1
MOST_HINTS = 5
WEIGHT = {"high": 0.06, "medium": 0.03, "low": 0.0}
CLAUSE_WEIGHT = 0.03
"""Between rows that match alike, the one that explains more of what is seen comes first."""
TESTED_AREAS = ("test", "dial", "keypad", "bell", "line", "measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedFault:
    """A row with how well it matches (0 to 1) and what it is ranked by."""

    row: FaultRow
    match: float
    score: float


def rank_faults(
    evidence: Mapping[str, float],
    table: FaultTable | None = None,
    *,
    outside: Collection[str] = (),
) -> tuple[RankedFault, ...]:
    """
    Rows of the fault table that match, best first.

    Parameters
    ----------
    evidence : mapping of str to float
        As `gather_evidence` gives it.
    table : FaultTable, optional
        The user's own; else the one shipped.
    outside : collection of str
        Paths where a finding is outside; empty: not known.

    Returns
    -------
    tuple of RankedFault
        Causes in the jig that match well come first: the jig is suspected before the set.
    """
    ranked = []
    for row in (table or load_fault_table()).rows:
        match = match_row(row, evidence)
        if match >= LEAST_MATCH:
            told = sum(clause.match(evidence) is not None for clause in row.clauses)
            score = match + WEIGHT[row.confidence] + CLAUSE_WEIGHT * min(told, 4)
            if outside and not _concerns(row, outside):
                score -= ELSEWHERE
            ranked.append(RankedFault(row=row, match=match, score=score))
    return tuple(
        sorted(
            ranked,
            key=lambda r: (
                not (r.row.is_jig and r.match >= JIG_MATCH and _concerns(r.row, outside)),
                -r.score,
                r.row.code,
            ),
        )
    )


def _areas(row: FaultRow) -> set[str]:
    """Paths and instruments that a row cannot do without."""
    needed = [clause for clause in row.clauses if not clause.is_optional]
    return {term.name.partition(".")[0] for clause in needed for term in clause.terms}


def _concerns(row: FaultRow, outside: Collection[str]) -> bool:
    """Whether a row speaks of a path where something is outside, or of a test that was done."""
    areas = _areas(row)
    if areas <= set(TESTED_AREAS):
        return True
    both = {"transmit", "receive"} if "both" in areas else set()
    return bool((areas | both) & set(outside))


def rank_hints(
    comparison: Comparison | None,
    runs: Mapping[str, Run],
    baselines: Mapping[str, Baseline],
    *,
    problems: Mapping[str, Sequence[Problem]] | None = None,
    extra: Mapping[str, float] | None = None,
    table: FaultTable | None = None,
) -> tuple[Hint, ...]:
    """
    Likely causes of what a comparison found, best first.

    Parameters
    ----------
    comparison : Comparison or None
        Against the baseline. Unless it (or a separating test) finds something `outside`, no hint
        is above low confidence.
    runs : mapping of str to Run
    baselines : mapping of str to Baseline
        Both by path.
    problems : mapping of str to sequence of Problem, optional
        Of paths whose recordings could not be used.
    extra : mapping of str to float, optional
        Results of separating tests ("test.flex_events_per_min") and other instruments.
    table : FaultTable, optional

    Returns
    -------
    tuple of Hint
        At most five. `separate_by` tells a hint from the next one.
    """
    evidence = gather_evidence(runs, baselines, problems=problems, extra=extra)
    outside = (
        {f.path for f in comparison.findings if f.verdict == "outside"} if comparison else set()
    )
    outside |= set(problems or ())
    ranked = rank_faults(evidence, table, outside=outside)[:MOST_HINTS]
    hints = []
    for index, fault in enumerate(ranked):
        following = ranked[index + 1].score if index + 1 < len(ranked) else 0.0
        confidence = _rate_confidence(fault, index, fault.score - following, outside)
        hints.append(_make_hint(fault.row, confidence, evidence))
    return tuple(hints)


def _rate_confidence(fault: RankedFault, index: int, lead: float, outside: set[str]) -> str:
    if not _concerns(fault.row, outside):
        return "low"
    if index == 0 and fault.match >= HIGH_MATCH and lead >= CLEAR_LEAD:
        reached = "high"
    elif fault.match >= MEDIUM_MATCH:
        reached = "medium"
    else:
        reached = "low"
    # Never surer than the table itself is of the row.
    return max(reached, fault.row.confidence, key=CONFIDENCES.index)


def _make_hint(row: FaultRow, confidence: str, evidence: Mapping[str, float]) -> Hint:
    seen = "; ".join(
        f"{term.name.replace('.', ' ')} {evidence[term.name]:+.1f}"
        for clause in row.clauses
        for term in clause.terms
        if term.name in evidence
    )
    return Hint(
        code=row.code,
        cause="; ".join(row.causes),
        confidence=confidence,
        separate_by=row.separate_by,
        provenance=row.provenance,
        symptom=row.symptom,
        check=row.check,
        next_test=row.next_test,
        seen=seen,
        sources=row.sources,
    )
