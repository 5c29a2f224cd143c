"""What a chart says in words: its conclusion, its conditions, its numbers for a screen reader."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voicecheck.records import Baseline, Comparison, Conditions, Finding, Run
from voicecheck.records.quantities import count_decimals, says_nothing, unit_of
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import HELD_AGAINST, rank_verdict
from voicecheck.words import Words

RELATIVE = "dB relative"
WIDE = "stand-in"
DESCRIBED_HZ = (300.0, 1000.0, 3400.0)


def is_held_against_limits(comparison: Comparison) -> bool:
    """
    Whether the verdicts say how good a set is.

    Against another stage or job they say how sure a change is, and `outside` is no fault.
    """
    return comparison.against.kind in HELD_AGAINST


def is_wide(comparison: Comparison) -> bool:
    """Whether its limits stand in for those of a type that has none."""
    return comparison.against.kind == WIDE


def say_conclusion(comparison: Comparison, words: Words, verdict: Verdict | None = None) -> str:
    """
    A verdict as a clause.

    Parameters
    ----------
    comparison : Comparison
    words : Words
    verdict : str, optional
        Of a part of it; that of the whole when left out.
    """
    wide = "_wide" if is_wide(comparison) else ""
    return words.say("chart", f"conclude_{verdict or comparison.overall}{wide}")


def find_refused(path: str, comparison: Comparison | None) -> tuple[str, ...]:
    """
    Which of "response" and "shape" must not be compared with the type, for one path.

    Parameters
    ----------
    path : str
    comparison : Comparison or None
        Without one nothing is refused.

    Returns
    -------
    tuple of str
    """
    if comparison is None or not is_held_against_limits(comparison):
        return ()
    return tuple(
        finding.quantity
        for finding in comparison.findings
        if finding.path == path
        and finding.quantity in ("response", "shape")
        and finding.verdict == "not comparable"
    )


def find_worst(findings: Sequence[Finding]) -> Finding | None:
    """
    The finding that matters most: by verdict, a response before a single figure.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    Finding or None
        `None` where there are none.
    """

    def rank(finding: Finding) -> tuple[int, int]:
        return rank_verdict(finding.verdict), 0 if finding.worst_hz is not None else 1

    return min(findings, key=rank, default=None)


def read_level(run: Run, frequency_hz: float) -> float | None:
    """
    Response of a run at the measured point next to a frequency.

    Parameters
    ----------
    run : Run
    frequency_hz : float

    Returns
    -------
    float or None
        In the response's unit; `None` where the point is withheld or none is within 5 %.
    """
    response = run.pooled.response
    if response is None or response.frequency_hz.size == 0:
        return None
    i = int(np.argmin(np.abs(np.log(response.frequency_hz / frequency_hz))))
    level = float(response.level_db[i])
    is_near = abs(response.frequency_hz[i] / frequency_hz - 1.0) < 0.05
    return level if is_near and np.isfinite(level) else None


def say_stage(stage: str, words: Words) -> str:
    """A stage in words; a user's own label as it is."""
    return words.say_own("stage", stage, stage)


def conclude_path(runs: Sequence[Run], comparison: Comparison | None, words: Words) -> str:
    """
    One line that says what the curves of one path amount to.

    Parameters
    ----------
    runs : sequence of Run
        One path, in the order of drawing; the last is the one spoken of when the comparison
        is of no stage among them.
    comparison : Comparison or None
    words : Words

    Returns
    -------
    str
    """
    path = words.say("path", runs[-1].path)
    findings = [f for f in comparison.findings if f.path == runs[-1].path] if comparison else []
    if comparison is not None and not is_held_against_limits(comparison):
        findings = []
    worst = find_worst(findings)
    if comparison is None or worst is None:
        return _conclude_alone(path, runs, words)
    stage = say_stage(comparison.stage, words)
    at_hz = ""
    if worst.verdict != "within" and worst.worst_hz is not None:
        at_hz = words.say("chart", "conclude_worst", hz=words.number(round(worst.worst_hz, -1), 0))
    verdict = say_conclusion(comparison, words, worst.verdict)
    line = words.say(
        "chart", "conclude_verdict", path=path, stage=stage, verdict=verdict, worst=at_hz
    )
    change = _say_change(runs, comparison.stage, words)
    return f"{line}; {change}" if change else line


def _conclude_alone(path: str, runs: Sequence[Run], words: Words) -> str:
    stages = [say_stage(run.stage, words) for run in runs]
    change = _say_change(runs, runs[-1].stage, words)
    if len(runs) == 1:
        return words.say("chart", "conclude_single", path=path, stage=stages[0])
    if change:
        return words.say(
            "chart", "conclude_verdict", path=path, stage=stages[-1], verdict=change, worst=""
        )
    return words.say("chart", "conclude_pair", path=path, stages=", ".join(stages))


def _say_change(runs: Sequence[Run], stage: str, words: Words) -> str:
    """Change at 1 kHz from `before` to a later stage, where both are in the same unit."""
    first = next((run for run in runs if run.stage == "before"), None)
    last = next((run for run in runs if run.stage == stage and run is not first), None)
    if first is None or last is None or say_unit(first) != say_unit(last):
        return ""
    old, new = read_level(first, 1000.0), read_level(last, 1000.0)
    if old is None or new is None:
        return ""
    change_db = round(new - old, 1)
    key = "conclude_louder" if change_db > 0 else "conclude_quieter"
    if change_db == 0:
        key = "conclude_same"
    change = words.number(abs(change_db))
    return words.say("chart", key, change=change, stage=say_stage("before", words))


def conclude_job(runs: Sequence[Run], comparison: Comparison | None, words: Words) -> str:
    """
    One line for several paths: the verdict of the comparison, or that there is none yet.

    Parameters
    ----------
    runs : sequence of Run
        In the order of drawing.
    comparison : Comparison or None
    words : Words
    """
    if comparison is None or not is_held_against_limits(comparison):
        stages = ", ".join(dict.fromkeys(say_stage(run.stage, words) for run in runs))
        return words.say("chart", "conclude_job_pair", stages=stages)
    verdict = say_conclusion(comparison, words)
    stage = say_stage(comparison.stage, words)
    return words.say("chart", "conclude_job", stage=stage, verdict=verdict)


def say_unit(run: Run) -> str:
    """Unit of a run's response, empty where there is none."""
    return run.pooled.response.unit if run.pooled.response is not None else ""


def list_conditions(
    runs: Sequence[Run], words: Words, *, with_path: bool = False
) -> tuple[str, ...]:
    """
    The conditions of runs, a line for each that differs.

    Parameters
    ----------
    runs : sequence of Run
    words : Words
    with_path : bool
        Whether the path is named before the stages, where several share a sheet.

    Returns
    -------
    tuple of str
        As "before, after: 2031-04-02, 3 conditionings, feed 40 mA, not calibrated, ...".
    """
    found: dict[str, list[Run]] = {}
    for run in runs:
        found.setdefault(_list_conditions(run, words), []).append(run)
    lines = []
    for line, alike in found.items():
        name = ", ".join(dict.fromkeys(say_stage(run.stage, words) for run in alike))
        if with_path:
            paths = dict.fromkeys(words.say("path_term", run.path) for run in alike)
            name = f"{', '.join(paths)} {name}"
        lines.append(f"{name}: {line}")
    return tuple(lines)


def say_version(runs: Sequence[Run], words: Words) -> str:
    """Which version computed the runs; empty where that is not known."""
    versions = sorted({run.pooled.version for run in runs} - {""})
    return words.say("chart", "foot_version", version=", ".join(versions)) if versions else ""


def _list_conditions(run: Run, words: Words) -> str:
    conditions = run.pooled.conditions
    date = words.date(run.taken_utc or conditions.time_utc)
    parts = [date or words.say("chart", "foot_no_date"), _say_seats(run, words)]
    parts.append(
        words.say("chart", "foot_feed", ma=words.number(conditions.feed_ma, 0))
        if conditions.feed_ma is not None
        else words.say("chart", "foot_no_feed")
    )
    if conditions.loop_ma is not None:
        parts.append(words.say("chart", "foot_loop", ma=words.number(conditions.loop_ma, 1)))
    parts.append(_say_calibration(run, words))
    if conditions.angle_deg is not None:
        parts.append(words.say("chart", "foot_angle", deg=words.number(conditions.angle_deg, 0)))
    if conditions.ear:
        parts.append(words.say("chart", "foot_ear", ear=conditions.ear))
    parts.append(_say_programme(conditions, words))
    if conditions.bench:
        parts.append(words.say("chart", "foot_bench", bench=conditions.bench))
    return ", ".join(parts)


def _say_seats(run: Run, words: Words) -> str:
    n = max(1, len(run.recordings))
    if run.pooled.conditions.conditioned:
        return words.say("chart", "foot_conditioned_seats", n=n)
    seats = words.say("chart", "foot_seat_one" if n == 1 else "foot_seats", n=n)
    if run.pooled.conditions.conditioned is False:
        return f"{seats}, {words.say('chart', 'foot_not_conditioned')}"
    return seats


def _say_calibration(run: Run, words: Words) -> str:
    name = run.pooled.conditions.calibration
    if name:
        return words.say("chart", "calibration", name=name)
    key = "not_calibrated" if say_unit(run) in (RELATIVE, "") else "calibrated"
    return words.say("chart", key)


def _say_programme(conditions: Conditions, words: Words) -> str:
    if conditions.level_dbfs is None:
        return words.say("chart", "foot_programme_unstated")
    return words.say("chart", "foot_programme", level=words.number(conditions.level_dbfs, 0))


def describe_response(
    runs: Sequence[Run], baseline: Baseline | None, words: Words
) -> tuple[str, ...]:
    """
    The numbers of a response chart in sentences, for alternative text and captions.

    Parameters
    ----------
    runs : sequence of Run
        One path.
    baseline : Baseline or None
    words : Words

    Returns
    -------
    tuple of str
    """
    lines = []
    for run in runs:
        low, mid, high = (words.number(read_level(run, hz)) for hz in DESCRIBED_HZ)
        stage = say_stage(run.stage, words)
        lines.append(words.say("chart", "describe_point", stage=stage, low=low, mid=mid, high=high))
    units = {say_unit(run) for run in runs} - {""}
    if baseline is not None and baseline.unit in units:
        i = int(np.argmin(np.abs(np.log(baseline.frequency_hz / 1000.0))))
        low_db, high_db = float(baseline.low_db[i]), float(baseline.high_db[i])
        low, high = words.number(low_db), words.number(high_db)
        lines.append(words.say("chart", "describe_band", low=low, high=high))
    for unit in sorted(units):
        key = "describe_unit_relative" if unit == RELATIVE else "describe_unit"
        lines.append(words.say("chart", key, unit=unit))
    return tuple(lines)


def say_value(
    value: float | None, unit: str, words: Words, *, quantity: str = "", with_unit: bool = True
) -> str:
    """
    A value with its unit, to the decimals that it deserves.

    Parameters
    ----------
    value : float or None
    unit : str
    words : Words
    quantity : str
        Which it is, where that is known.
    with_unit : bool
    """
    unit = unit_of(quantity, unit)
    text = words.number(value, count_decimals(quantity, value, unit))
    return f"{text} {words.say('unit', unit)}" if unit and with_unit else text


def say_limits(finding: Finding, words: Words) -> str:
    """
    Limits of a finding in words: "up to 6.3", "-4.0 to 4.0", "from 12.0", "none".

    Parameters
    ----------
    finding : Finding
    words : Words
    """
    low, high = (
        words.number(limit, count_decimals(finding.quantity, limit, finding.unit))
        for limit in (finding.low, finding.high)
    )
    if finding.low is None and finding.high is None:
        return words.say("report", "no_limit")
    both = None if finding.low is None or finding.high is None else finding.high - finding.low
    if both is not None and says_nothing(0.5 * both, finding.unit):
        return words.say("chart", "too_few")
    if finding.low is None:
        return words.say("report", "to", high=high)
    if finding.high is None:
        return words.say("report", "from", low=low)
    return words.say("report", "from_to", low=low, high=high)
