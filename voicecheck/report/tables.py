"""The findings of the second page, as plain rows of text for the template."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from voicecheck.charts import (
    is_held_against_limits,
    say_limits,
    say_stage,
)
from voicecheck.records import Comparison, Finding
from voicecheck.records.quantities import count_decimals, says_nothing, unit_of
from voicecheck.report.content import ReportContent
from voicecheck.report.sources import say_source
from voicecheck.words import Words

MOST_ROWS = 26
MOST_STAGES = 3
FROM_MEMORY = re.compile(r"\bMEM\b")
MEMORY_QUANTITIES = ("slr_db", "rlr_db", "stmr_db")
"""Loudness ratings rest on weights that were not seen in print (P.79, MEM)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A value with its verdict: the word of the language, and the record's for the style."""

    value: str
    word: str = ""
    verdict: str = ""
    place: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """One quantity of one path: a cell for each stage, its limits and its change."""

    quantity: str
    unit: str
    cells: tuple[Cell | None, ...]
    limits: str
    change: Cell | None
    note: str
    is_within: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PathFindings:
    """The rows of one path, and what they are held against."""

    path: str
    source: str
    rows: tuple[FindingRow, ...]
    folded: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingTable:
    """All findings: stages are columns, paths are groups of rows."""

    stages: tuple[str, ...]
    has_change: bool
    groups: tuple[PathFindings, ...]


def is_from_memory(text: str) -> bool:
    """Whether a provenance says that a value was not seen in a source."""
    return FROM_MEMORY.search(text) is not None


def tabulate_findings(content: ReportContent, words: Words) -> FindingTable:
    """
    Findings with one row a quantity.

    Parameters
    ----------
    content : ReportContent
    words : Words

    Returns
    -------
    FindingTable
        The latest comparison of each stage, three stages at most; where the rows would not fit
        the page, those within their limits at every stage are folded into a line.
    """
    by_stage: dict[str, Comparison] = {}
    for comparison in content.comparisons:
        if is_held_against_limits(comparison):
            by_stage[comparison.stage] = comparison
    stages = tuple(by_stage)[-MOST_STAGES:]
    change = content.find_change_comparison()
    found = {stage: _index(by_stage[stage].findings) for stage in stages}
    changes = _index(change.findings) if change is not None else {}
    keys = list(dict.fromkeys(key for stage in stages for key in found[stage]))
    keys = keys or list(changes)
    groups = []
    for path in dict.fromkeys(path for path, _ in keys):
        chosen = [key for key in keys if key[0] == path]
        rows = [_make_row([found[s].get(k) for s in stages], changes.get(k), words) for k in chosen]
        source = _say_source([found[stage].get(key) for stage in stages for key in chosen], words)
        groups.append(PathFindings(path=path, source=source, rows=tuple(rows)))
    if sum(len(group.rows) for group in groups) > MOST_ROWS:
        groups = [_fold(group, words) for group in groups]
    names = tuple(say_stage(stage, words) for stage in stages)
    return FindingTable(stages=names, has_change=change is not None, groups=tuple(groups))


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One quantity of a check: its value with the verdict, its limits and where they are from."""

    quantity: str
    unit: str
    cell: Cell
    limits: str
    source: str


def tabulate_checks(
    content: ReportContent, words: Words
) -> tuple[tuple[str, tuple[CheckRow, ...]], ...]:
    """
    Findings of the checks beside the sweep, by check.

    Parameters
    ----------
    content : ReportContent
    words : Words

    Returns
    -------
    tuple of (str, tuple of CheckRow)
        Without checks that were held against nothing.
    """
    return tuple(
        (one.name, tuple(_make_check_row(finding, words) for finding in one.findings))
        for one in content.check_findings
        if one.findings
    )


def _make_check_row(finding: Finding, words: Words) -> CheckRow:
    unit = unit_of(finding.quantity, finding.unit)
    told = dict.fromkeys(say_source(one, words) for one in (finding.source, finding.reason) if one)
    whose = f", {words.say('limit', finding.limit)}" if finding.limit else ""
    return CheckRow(
        quantity=words.say("quantity", finding.quantity) + whose,
        unit=words.say("unit", unit) if unit else "",
        cell=_make_cell(finding, words) or Cell(value=""),
        limits=say_limits(finding, words),
        source="; ".join(told),
    )


def _index(findings: Sequence[Finding]) -> dict[tuple[str, str], Finding]:
    return {(finding.path, finding.quantity): finding for finding in findings}


def _make_row(
    findings: Sequence[Finding | None], change: Finding | None, words: Words
) -> FindingRow:
    known = [finding for finding in (*findings, change) if finding is not None]
    first = known[0]
    unit = unit_of(first.quantity, first.unit)
    last = next((finding for finding in reversed(findings) if finding is not None), None)
    marks = [f for f in known if is_from_memory(f.source) or f.quantity in MEMORY_QUANTITIES]
    mark = f" {words.say('report', 'memory_mark')}" if marks else ""
    notes = dict.fromkeys(f.reason for f in known if f.reason and f.value is None)
    judged = [finding for finding in findings if finding is not None]
    return FindingRow(
        quantity=words.say("quantity", first.quantity) + mark,
        unit=words.say("unit", unit) if unit else "",
        cells=tuple(_make_cell(finding, words) for finding in findings),
        limits=say_limits(last, words) if last is not None else "",
        change=_make_change(change, words),
        note="; ".join(notes),
        is_within=bool(judged) and all(f.verdict == "within" for f in judged),
    )


def _make_cell(finding: Finding | None, words: Words) -> Cell | None:
    if finding is None:
        return None
    word, verdict = words.say("verdict", finding.verdict), finding.verdict
    if finding.value is None:
        return Cell(value="", word=word, verdict=verdict)
    place = ""
    if finding.worst_hz is not None:
        place = words.say("report", "at_hz", hz=words.number(round(finding.worst_hz), 0))
    return Cell(value=_with_uncertainty(finding, words), word=word, verdict=verdict, place=place)


def _with_uncertainty(finding: Finding, words: Words, *, sign: bool = False) -> str:
    decimals = count_decimals(finding.quantity, finding.value, finding.unit)
    value = words.number(finding.value, decimals, sign=sign)
    # An uncertainty that the limits allow for already is 0 here; "± 0.0" would claim perfection.
    if finding.uncertainty is None or round(finding.uncertainty, decimals) == 0.0:
        return value
    if says_nothing(finding.uncertainty, finding.unit):
        return f"{value} ({words.say('chart', 'too_few')})"
    return f"{value} ± {words.number(finding.uncertainty, decimals)}"


def _make_change(finding: Finding | None, words: Words) -> Cell | None:
    if finding is None or finding.value is None:
        return None
    keys = {"outside": "change_real", "within": "change_none"}
    word = words.say("report", keys.get(finding.verdict, "change_doubtful"))
    return Cell(value=_with_uncertainty(finding, words, sign=True), word=word)


def _say_source(findings: Sequence[Finding | None], words: Words) -> str:
    codes = dict.fromkeys(f.source for f in findings if f is not None and f.source)
    sources = dict.fromkeys(say_source(one, words) for one in codes)
    return words.say("report", "held_against", source="; ".join(sources)) if sources else ""


def _fold(group: PathFindings, words: Words) -> PathFindings:
    within = [row for row in group.rows if row.is_within]
    kept = tuple(row for row in group.rows if not row.is_within)
    if not within:
        return group
    names = "; ".join(_fold_row(row, words) for row in within)
    folded = words.say("report", "folded", names=names)
    return PathFindings(path=group.path, source=group.source, rows=kept, folded=folded)


def _fold_row(row: FindingRow, words: Words) -> str:
    values = " \u2192 ".join(cell.value for cell in row.cells if cell is not None)
    return words.say(
        "report",
        "folded_row",
        quantity=row.quantity,
        values=f"{values} {row.unit}".rstrip(),
        limits=row.limits,
    )
