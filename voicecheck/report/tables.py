"""The tables of the second page, as plain rows of text for the template."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from voicecheck.charts import Words, is_held_against_limits, say_stage
from voicecheck.records import Comparison, Finding, Problem, Run
from voicecheck.report.content import ReportContent
from voicecheck.report.sentences import say_value

DATA_FOLDER = Path(__file__).parents[1] / "data"
MOST_ROWS = 44
MOST_PROBLEMS = 6
MOST_STAGES = 3
FROM_MEMORY = re.compile(r"\bMEM\b")
MEMORY_QUANTITIES = ("slr_db", "rlr_db", "stmr_db")
"""Loudness ratings rest on weights that were not seen in print (P.79, MEM)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A value with its verdict."""

    value: str
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


def _index(findings: Sequence[Finding]) -> dict[tuple[str, str], Finding]:
    return {(finding.path, finding.quantity): finding for finding in findings}


def _make_row(
    findings: Sequence[Finding | None], change: Finding | None, words: Words
) -> FindingRow:
    known = [finding for finding in (*findings, change) if finding is not None]
    first = known[0]
    last = next((finding for finding in reversed(findings) if finding is not None), None)
    marks = [f for f in known if is_from_memory(f.source) or f.quantity in MEMORY_QUANTITIES]
    mark = f" {words.say('report', 'memory_mark')}" if marks else ""
    notes = dict.fromkeys(f.reason for f in known if f.reason and f.value is None)
    judged = [finding for finding in findings if finding is not None]
    return FindingRow(
        quantity=words.say("quantity", first.quantity) + mark,
        unit=words.say("unit", first.unit) if first.unit else "",
        cells=tuple(_make_cell(finding, words) for finding in findings),
        limits=say_limits(last, words) if last is not None else "",
        change=_make_change(change, words),
        note="; ".join(notes),
        is_within=bool(judged) and all(f.verdict == "within" for f in judged),
    )


def _make_cell(finding: Finding | None, words: Words) -> Cell | None:
    if finding is None:
        return None
    verdict = words.say("verdict", finding.verdict)
    if finding.value is None:
        return Cell(value="", verdict=verdict)
    place = ""
    if finding.worst_hz is not None:
        place = words.say("report", "at_hz", hz=words.number(round(finding.worst_hz), 0))
    return Cell(value=_with_uncertainty(finding, words), verdict=verdict, place=place)


def _with_uncertainty(finding: Finding, words: Words, *, sign: bool = False) -> str:
    decimals = 0 if finding.unit == "Hz" else 1
    value = words.number(finding.value, decimals, sign=sign)
    if finding.uncertainty is None:
        return value
    return f"{value} ± {words.number(finding.uncertainty, decimals)}"


def _make_change(finding: Finding | None, words: Words) -> Cell | None:
    if finding is None or finding.value is None:
        return None
    keys = {"outside": "change_real", "within": "change_none"}
    verdict = words.say("report", keys.get(finding.verdict, "change_doubtful"))
    return Cell(value=_with_uncertainty(finding, words, sign=True), verdict=verdict)


def say_limits(finding: Finding, words: Words) -> str:
    """
    Limits of a finding in words: "up to 6.3", "-4.0 to 4.0", "from 12.0", "none".

    Parameters
    ----------
    finding : Finding
    words : Words
    """
    low, high = (words.number(limit) for limit in (finding.low, finding.high))
    if finding.low is None and finding.high is None:
        return words.say("report", "no_limit")
    if finding.low is None:
        return words.say("report", "to", high=high)
    if finding.high is None:
        return words.say("report", "from", low=low)
    return words.say("report", "from_to", low=low, high=high)


def _say_source(findings: Sequence[Finding | None], words: Words) -> str:
    sources = dict.fromkeys(f.source for f in findings if f is not None and f.source)
    return words.say("report", "held_against", source="; ".join(sources)) if sources else ""


def _fold(group: PathFindings, words: Words) -> PathFindings:
    within = [row for row in group.rows if row.is_within]
    kept = tuple(row for row in group.rows if not row.is_within)
    if not within:
        return group
    names = "; ".join(f"{row.quantity} {_last_value(row)}".rstrip() for row in within)
    folded = words.say("report", "folded", names=names)
    return PathFindings(path=group.path, source=group.source, rows=kept, folded=folded)


def _last_value(row: FindingRow) -> str:
    cell = next((cell for cell in reversed(row.cells) if cell is not None), None)
    return f"{cell.value} {row.unit}".rstrip() if cell is not None else ""


def list_problems(runs: Sequence[Run], words: Words) -> tuple[str, ...]:
    """
    What disturbed the recordings, each said once.

    Parameters
    ----------
    runs : sequence of Run
    words : Words

    Returns
    -------
    tuple of str
        Six at most, then how many more there are.
    """
    lines: dict[str, None] = {}
    for run in runs:
        found = [problem for recording in run.recordings for problem in recording.problems]
        for problem in found or run.pooled.problems:
            lines[_say_problem(run, problem, words)] = None
    told = list(lines)
    if len(told) > MOST_PROBLEMS:
        more = words.say("report", "more_problems", n=len(told) - MOST_PROBLEMS)
        told = [*told[:MOST_PROBLEMS], more]
    return tuple(told)


def _say_problem(run: Run, problem: Problem, words: Words) -> str:
    at = ""
    if problem.at_s is not None:
        at = words.say("report", "problem_at", at=words.number(problem.at_s, 2))
    return words.say(
        "report",
        "problem",
        path=words.say("path_term", run.path),
        stage=say_stage(run.stage, words),
        at=at,
        message=problem.message or problem.kind,
        effect=f"; {problem.effect}" if problem.effect else "",
    )


def list_loudness(runs: Sequence[Run], words: Words) -> tuple[str, ...]:
    """Loudness ratings of the runs that have one, marked as resting on weights from memory."""
    lines = []
    mark = words.say("report", "memory_mark")
    for run in runs:
        ratings = {name: getattr(run.pooled.loudness, name) for name in MEMORY_QUANTITIES}
        names = ", ".join(
            f"{words.say('quantity', name)} {say_value(value, 'dB', words)} {mark}"
            for name, value in ratings.items()
            if value is not None
        )
        if names:
            stage, path = say_stage(run.stage, words), words.say("path_term", run.path)
            lines.append(words.say("report", "loudness", stage=stage, path=path, names=names))
    return tuple(lines)


def list_baselines(content: ReportContent, words: Words) -> tuple[str, ...]:
    """The limits' sources: how many sets, how made, when; and what a baseline warns of."""
    paths: dict[str, list[str]] = {}
    for path, baseline in content.baselines.items():
        line = words.say(
            "report",
            "baseline_line",
            paths="{paths}",
            n=baseline.n,
            type=baseline.type_name,
            method=baseline.method,
            unit=baseline.unit,
            date=words.date(baseline.built_utc) or words.say("chart", "foot_no_date"),
        )
        told = " ".join((line, *baseline.warnings))
        paths.setdefault(told, []).append(words.say("path_term", path))
    lines = [line.replace("{paths}", ", ".join(names), 1) for line, names in paths.items()]
    return tuple(lines) or (words.say("report", "baseline_none"),)


def list_not_tested(content: ReportContent, words: Words) -> tuple[str, ...]:
    """What this report says nothing about, so that nobody takes silence for approval."""
    lines = [
        words.say("report", "path_missing", path=words.say("path", path), term=path)
        for path in ("transmit", "receive", "sidetone")
        if path not in content.paths
    ]
    for check in _read_rows("report/checks.csv"):
        if check["check"] not in content.other_checks:
            name = (
                words.say("check", check["check"], **{})
                if words.has("check", check["check"])
                else ""
            )
            lines.append(name or f"{check['name']}: {check['left_open']}")
    units = {run.pooled.response.unit for run in content.runs if run.pooled.response is not None}
    if "dB relative" in units:
        lines.append(words.say("report", "not_calibrated"))
    return tuple(lines)


def list_tested(content: ReportContent, words: Words) -> tuple[str, ...]:
    """Results of other checks, each with its name."""
    names = {row["check"]: row["name"] for row in _read_rows("report/checks.csv")}
    return tuple(
        f"{words.say('check_name', names.get(check, check))}: {result}"
        for check, result in content.other_checks.items()
    )


def list_cautions(reader: str, words: Words) -> tuple[str, ...]:
    """
    Cautions for one reader.

    Parameters
    ----------
    reader : str
        "owner" or "bench".
    words : Words
        A language may carry its own text under the caution's id.
    """
    return tuple(
        words.say("caution", row["id"]) if words.has("caution", row["id"]) else row["caution"]
        for row in _read_rows("cautions.csv")
        if row["reader"] in (reader, "both")
    )


def _read_rows(name: str) -> list[dict[str, str]]:
    with (DATA_FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def list_bench_check(document: Mapping[str, object] | None, words: Words) -> tuple[str, ...]:
    """
    The bench check of the day, a line for each of its values.

    Parameters
    ----------
    document : mapping or None
    words : Words

    Returns
    -------
    tuple of str
        That it was not done, where there is none.
    """
    if document is None:
        return (words.say("report", "bench_check_none"),)
    lines = [
        f"{_plain(key)}: {_say_scalar(value, words)}"
        for key, value in document.items()
        if isinstance(value, str | int | float) and key != "schema"
    ]
    checks = document.get("checks")
    for check in checks if isinstance(checks, list | tuple) else ():
        if isinstance(check, Mapping):
            lines.append(_say_check(check, words))
    return tuple(lines)


def _plain(key: object) -> str:
    return str(key).replace("_utc", "").replace("_", " ")


def _say_scalar(value: object, words: Words) -> str:
    if isinstance(value, bool):
        return words.say("report", "yes" if value else "no")
    if isinstance(value, float):
        return words.number(value, 2)
    text = str(value)
    is_time = re.match(r"\d{4}-\d{2}-\d{2}T", text)
    return (words.date(text) or text) if is_time else text


def _say_check(check: Mapping[str, object], words: Words) -> str:
    name = _plain(check.get("name", ""))
    value = f"{_say_scalar(check.get('value', ''), words)} {check.get('unit', '')}".strip()
    verdict = str(check.get("verdict", ""))
    said = words.say("verdict", verdict) if verdict else ""
    return ": ".join([name, ", ".join(part for part in (value, said) if part)])
