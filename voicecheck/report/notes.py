"""The lists of the second page: what was seen, under which conditions, and what was left open."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

from voicecheck.charts import say_stage, say_value
from voicecheck.records import Problem, Run
from voicecheck.records.benches import BenchCheck, CheckItem
from voicecheck.records.residuals import describe_residual
from voicecheck.report.content import ReportContent
from voicecheck.report.tables import MEMORY_QUANTITIES
from voicecheck.words import Words

DATA_FOLDER = Path(__file__).parents[1] / "data"
MOST_PROBLEMS = 6
SAID_QUANTITIES = tuple(name for name in MEMORY_QUANTITIES if name != "stmr_db")
"""
Not the sidetone's: whether the weights at hand are of the sealed or the unsealed condition is not
settled (1.6 dB, MEM). It stands, marked, in the tables alone.
"""


def list_problems(runs: Sequence[Run], words: Words) -> tuple[str, ...]:
    """
    What disturbed the recordings: one line for each kind, with where and how often.

    Parameters
    ----------
    runs : sequence of Run
    words : Words

    Returns
    -------
    tuple of str
        Six at most, then how many more there are.
    """
    kinds: dict[str, list[Problem]] = {}
    places: dict[str, dict[tuple[str, str], None]] = {}
    for run in runs:
        found = [problem for recording in run.recordings for problem in recording.problems]
        for problem in found or run.pooled.problems:
            kinds.setdefault(problem.kind, []).append(problem)
            places.setdefault(problem.kind, {})[run.path, run.stage] = None
    lines = [
        _say_problems(_say_places(places[kind], words), problems, words)
        for kind, problems in kinds.items()
    ]
    if len(lines) > MOST_PROBLEMS:
        more = words.say("report", "more_problems", n=len(lines) - MOST_PROBLEMS)
        lines = [*lines[:MOST_PROBLEMS], more]
    return tuple(lines)


def list_residuals(runs: Sequence[Run], words: Words) -> tuple[str, ...]:
    """
    What kind of distortion each run holds, where that can be told.

    Parameters
    ----------
    runs : sequence of Run
    words : Words
    """
    return tuple(
        words.say(
            "report",
            "residual_kind",
            path=words.say("path_term", run.path),
            stage=say_stage(run.stage, words),
            text=text,
        )
        for run in runs
        for text in describe_residual(run.pooled, words)
    )


def _say_places(places: Iterable[tuple[str, str]], words: Words) -> str:
    """Paths and stages, those of one stage together."""
    by_stage: dict[str, list[str]] = {}
    for path, stage in places:
        by_stage.setdefault(say_stage(stage, words), []).append(words.say("path_term", path))
    return "; ".join(f"{', '.join(paths)} {stage}" for stage, paths in by_stage.items())


def _say_problems(places: str, problems: Sequence[Problem], words: Words) -> str:
    first = problems[0]
    message = first.message or first.kind
    if first.at_s is not None:
        at = words.number(first.at_s, 2)
        message = words.say("report", "problem_at", message=message, at=at)
    if len(problems) > 1:
        message = words.say("report", "problem_often", n=len(problems), message=message)
    effect = f"; {first.effect}" if first.effect else ""
    return words.say("report", "problem", places=places, message=message, effect=effect)


def list_loudness(runs: Sequence[Run], words: Words) -> tuple[str, ...]:
    """Loudness ratings of each stage that has any, marked as resting on weights from memory."""
    stages: dict[str, list[str]] = {}
    for run in runs:
        for name in SAID_QUANTITIES:
            rating_db = getattr(run.pooled.loudness, name)
            if rating_db is not None:
                told = f"{words.say('quantity', name)} {say_value(rating_db, 'dB', words)}"
                stages.setdefault(say_stage(run.stage, words), []).append(told)
    mark = words.say("report", "memory_mark")
    return tuple(
        words.say("report", "loudness", stage=stage, names=", ".join(names), mark=mark)
        for stage, names in stages.items()
    )


def list_baselines(content: ReportContent, words: Words) -> tuple[str, ...]:
    """The limits' sources: how many sets, how made, when; and what a baseline warns of."""
    paths: dict[str, list[str]] = {}
    for path, baseline in content.baselines.items():
        date = words.date(baseline.built_utc)
        built = words.say("report", "baseline_built", date=date) if date else ""
        line = words.say(
            "report",
            "baseline_line",
            n=baseline.n,
            type=baseline.type_name,
            method=baseline.method,
            built=built,
        )
        told = " ".join((line, *baseline.warnings))
        name = f"{words.say('path_term', path)} ({baseline.unit})"
        paths.setdefault(told, []).append(name)
    lines = [f"{', '.join(names)}: {line}" for line, names in paths.items()]
    return tuple(lines) or (words.say("report", "baseline_none"),)


def list_not_tested(content: ReportContent, words: Words) -> tuple[str, ...]:
    """What this report says nothing about, so that nobody takes silence for approval."""
    lines = [
        words.say(
            "report",
            "path_missing",
            path=words.say("path", path),
            term=words.say("path_term", path),
        )
        for path in ("transmit", "receive", "sidetone")
        if path not in content.paths
    ]
    lines += [
        f"{words.say('check_name', key)}: {words.say('left_open', key)}"
        for row in _read_rows("report/checks.csv")
        if (key := row["check"]) not in content.other_checks
    ]
    units = {run.pooled.response.unit for run in content.runs if run.pooled.response is not None}
    if "dB relative" in units:
        lines.append(words.say("report", "not_calibrated"))
    return tuple(lines)


def list_tested(content: ReportContent, words: Words) -> tuple[str, ...]:
    """Results of other checks, each with its name."""
    return tuple(
        f"{words.say('check_name', check)}: {result}"
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
    """
    return tuple(
        words.say("caution", row["id"])
        for row in _read_rows("cautions.csv")
        if row["reader"] in (reader, "both")
    )


def _read_rows(name: str) -> list[dict[str, str]]:
    with (DATA_FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def list_bench_check(check: BenchCheck | None, words: Words) -> tuple[str, ...]:
    """
    The bench check of the day: which bench and when, what passed, and each thing that did not.

    Parameters
    ----------
    check : BenchCheck or None
    words : Words

    Returns
    -------
    tuple of str
        That it was not done, where there is none.
    """
    if check is None:
        return (words.say("report", "bench_check_none"),)
    passed = [_say_item(item, words) for item in check.items if item.verdict == "pass"]
    lines = [
        words.say(
            "report",
            "bench_check_passed" if check.is_passed else "bench_check_failed",
            bench=check.bench,
            date=words.date(check.time_utc) or "",
        )
    ]
    if passed:
        lines.append(words.say("report", "bench_passed_items", items="; ".join(passed)))
    for item in check.items:
        if item.verdict != "pass":
            key = "bench_moved" if item.verdict == "moved" else "bench_skipped"
            line = words.say("report", key, item=_say_item(item, words))
            lines.append(f"{line} {item.message}".rstrip())
    return tuple(lines)


def _say_item(item: CheckItem, words: Words) -> str:
    name = words.say("bench_quantity", item.quantity)
    if item.value is None:
        return name
    value = f"{name} {words.number(item.value, 2)}"
    if item.stored is not None:
        value = words.say(
            "report", "bench_stored", value=value, stored=words.number(item.stored, 2)
        )
    return f"{value} {item.unit}".rstrip()
