"""A bench as plain text and as a document."""

from __future__ import annotations

import math
import shlex
from typing import TYPE_CHECKING, Any

from voicecheck.cli.show import render_table
from voicecheck.records import BenchCheck, StepResult, to_document
from voicecheck.records.times import say_own_time

if TYPE_CHECKING:
    from voicecheck.workflow.benches.jigs import Tried
    from voicecheck.workflow.benches.store import BenchFile

TREND_WIDTH = 30
CHECK_HEADS = ("verdict", "what", "now", "unit", "stored", "limit")
STEP_HEADS = ("step", "value", "95 % interval", "until")


def describe_bench(file: BenchFile) -> dict[str, Any]:
    """JSON document: set-up, calibration, what each path's levels are worth, last check."""
    from voicecheck.workflow.benches.sitting import judge_paths, list_warnings
    from voicecheck.workflow.benches.view import find_band_uncertainty_db

    newest = {result.step: result for result in file.results}
    return {
        **to_document(file.setup),
        "calibration": [to_document(result) for result in newest.values()],
        "paths": {
            path: {
                "unit": standing.calibration.unit if standing.calibration else "dB relative",
                "uncertainty_db": (
                    standing.calibration.uncertainty_db if standing.calibration else None
                ),
                "band_uncertainty_db": (
                    find_band_uncertainty_db(standing.calibration) if standing.calibration else None
                ),
                "reasons": list(standing.reasons),
                "warnings": list(standing.warnings),
            }
            for path, standing in judge_paths(file).items()
        },
        "warnings": list(list_warnings(file)),
        "last_check": to_document(file.checks[-1]) if file.checks else None,
    }


def render_bench(file: BenchFile) -> str:
    """Text of at most 80 columns."""
    from voicecheck.cli.guidance import wrap
    from voicecheck.workflow.benches.sitting import judge_paths
    from voicecheck.workflow.benches.view import find_band_uncertainty_db, list_all_warnings

    setup = file.setup
    outputs = f"mouth {setup.mouth_channel}, line drive {setup.line_drive_channel}"
    inputs = f"line tap {setup.line_tap_channel}, ear {setup.ear_channel} ({setup.ear})"
    feed = "not stated" if setup.feed_ma is None else f"{setup.feed_ma:g} mA"
    caps = f"mouth {setup.mouth_cap_dbfs:g}, line drive {setup.line_drive_cap_dbfs:g} dBFS"
    rows = [
        ("device", " ".join(filter(None, (setup.device, setup.host_api)))),
        ("inputs from", setup.input_device or setup.device),
        ("rate", f"{setup.rate_hz} Hz"),
        ("outputs", outputs),
        ("inputs", inputs),
        ("feed", " - ".join(filter(None, (feed, setup.feed_reading)))),
        ("caps", caps),
        ("microphone", setup.microphone_curve.label if setup.microphone_curve else ""),
        ("notes", setup.notes),
    ]
    lines = [f"bench {setup.name}", render_table([row for row in rows if row[1]])]
    newest = {result.step: result for result in file.results}
    lines += ["calibration"]
    steps = [_list_step(result) for result in newest.values()]
    lines += [render_table([STEP_HEADS, *steps])] if steps else []
    lines += [] if newest else ["  none yet: levels are relative"]
    lines += ["levels"]
    for path, standing in judge_paths(file).items():
        if standing.calibration:
            at_1khz_db = standing.calibration.uncertainty_db
            band_db = find_band_uncertainty_db(standing.calibration)
            text = f"{standing.calibration.unit}, +-{at_1khz_db:.2f} dB at 1 kHz"
            text += f", +-{band_db:.2f} dB in the band" if band_db > at_1khz_db else ""
        else:
            text = "relative: " + "; ".join(standing.reasons)
        lines.append(wrap(text, f"  {path:9} ", " " * 12))
    for warning in list_all_warnings(file):
        lines.append(wrap(warning, "  !  ", "     "))
    lines += render_check(file.checks[-1]).splitlines() if file.checks else ["never checked"]
    return "\n".join(lines)


def render_check(check: BenchCheck) -> str:
    """A daily check line by line, what moved with what to look at."""
    from voicecheck.cli.guidance import wrap

    outcome = "passed" if check.is_passed else "not passed"
    lines = [f"bench check {check.bench}, {say_own_time(check.time_utc)}: {outcome}"]
    rows = []
    for item in check.items:
        value = "" if item.value is None else f"{item.value:.2f}"
        stored = "" if item.stored is None else f"{item.stored:.2f}"
        limit = f"{item.limit:g} dB"
        unit = item.unit if value else ""
        rows.append((item.verdict, item.quantity, value, unit, stored, limit))
    lines.append(render_table([CHECK_HEADS, *rows]))
    if any(item.verdict == "not done" for item in check.items):
        lines.append("  not done: passed over, or never calibrated, so nothing to hold it against")
    moved = [item for item in check.items if item.verdict == "moved"]
    lines += [wrap(f"{item.quantity}: {item.message}", "  >  ", "     ") for item in moved]
    name = shlex.quote(check.bench)
    step = f"sweep JOB --path transmit --bench {name}"
    if not check.is_passed:
        step = f"bench check {name}"
        lines.append("Suspect the bench before a set: mend what moved, or calibrate it again.")
    return "\n".join([*lines, f"Next: voicecheck {step}"])


def render_result(result: StepResult) -> str:
    """Outcome of one step, and what it warns of."""
    from voicecheck.cli.guidance import wrap
    from voicecheck.workflow.benches.view import list_remarks

    _, value, spread, until = _list_step(result)
    lines = [f"  done: {value}, {spread}, {until}"]
    if result.is_fallback:
        lines.append(wrap(f"a stand-in: {result.method}; every report says so", "  !  ", "     "))
    lines += [wrap(line, "     ", "     ") for line in list_remarks(result)]
    for problem in result.problems:
        text = "; ".join(filter(None, (problem.message, problem.effect)))
        lines.append(wrap(text, "  !  ", "     "))
    return "\n".join(lines)


def render_tried(tried: Tried) -> str:
    """A step on a simulated jig: found, meant, and whether the interval holds that."""
    from voicecheck.units import db_from_ratio

    result, truth_pa = tried
    error_db = db_from_ratio((result.value or math.nan) / truth_pa)
    holds = "within" if abs(error_db) <= result.uncertainty_db else "outside of"
    return (
        f"{result.step}, simulated, nothing kept\n{render_result(result)}\n"
        f"  made with {truth_pa:.3f} Pa per unit: off by {error_db:+.2f} dB, {holds} the interval"
    )


def render_trend(file: BenchFile, step: str) -> str:
    """
    Values of one step over time, and a small chart of them.

    Raises
    ------
    InputError
        There is nothing of that step.
    """
    from voicecheck.workflow.benches.view import list_trend

    results = list_trend(file, step)
    values = [result.value or 0.0 for result in results]
    low, high = min(values), max(values)
    rows = []
    for result, value in zip(results, values, strict=True):
        share = (value - low) / (high - low) if high > low else 0.5
        at = round(share * (TREND_WIDTH - 1))
        bar = "." * at + "o" + "." * (TREND_WIDTH - 1 - at)
        rows.append((say_own_time(result.done_utc), f"{value:.3f} {result.unit}", bar))
    return f"{step}, from {low:.3f} to {high:.3f} {results[-1].unit}\n{render_table(rows)}"


def _list_step(result: StepResult) -> tuple[str, str, str, str]:
    from voicecheck.workflow.benches.sitting import is_counting
    from voicecheck.workflow.benches.view import describe_value, find_last_day

    state = f"good until {find_last_day(result)}"
    if not is_counting(result):
        state = "does not count: expired or spoilt"
    value = describe_value(result)
    return (result.step, value, f"+-{result.uncertainty_db:.2f} dB", state)
