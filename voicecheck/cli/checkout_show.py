"""Records of a checkout as plain text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from voicecheck.cli.show import VERDICT_MARKS, render_table
from voicecheck.records import (
    BellCheck,
    CheckList,
    DialCheck,
    Finding,
    FlexCheck,
    LineCheck,
    SpeechCheck,
    ToneCheck,
)

STATE_MARKS = {"measured": "[m]", "done": "[x]", "not tested": "[-]", "open": "[ ]"}


def _say(value: float | None, digits: int = 1, unit: str = "") -> str:
    return "-" if value is None else f"{value:.{digits}f}{unit}"


def _doubt(half_width: float | None, digits: int = 1) -> str:
    """Half-width of a 95 % interval, where one is stated."""
    return "" if half_width is None else f" +/- {half_width:.{digits}f}"


def render_check(check: Any) -> str:
    """A check with its findings and problems."""
    renderers: dict[type, Callable[[Any], list[str]]] = {
        DialCheck: _render_dial,
        ToneCheck: _render_tones,
        FlexCheck: _render_flex,
        BellCheck: _render_bell,
        SpeechCheck: _render_speech,
        LineCheck: _render_line,
    }
    lines = renderers[type(check)](check)
    findings = getattr(check, "findings", ())
    if findings:
        lines.append(render_table([_finding_row(finding) for finding in findings]))
    for problem in check.problems:
        when = f" at {problem.at_s:.2f} s" if problem.at_s is not None else ""
        lines.append(f"  ! {problem.kind}{when}: {problem.message}; {problem.effect}")
    return "\n".join(lines)


def _finding_row(finding: Finding) -> tuple[str, ...]:
    low = "" if finding.low is None else f"{finding.low:g}"
    high = "" if finding.high is None else f"{finding.high:g}"
    return (
        VERDICT_MARKS[finding.verdict],
        finding.quantity.replace("_", " "),
        f"{_say(finding.value, 2)} {finding.unit}".strip(),
        f"[{low} .. {high}]",
        finding.source + (f", {finding.reason}" if finding.reason else ""),
    )


def _render_dial(check: DialCheck) -> list[str]:
    speed = _say(check.pulses_per_s, 2, " pulses/s")
    lines = [f"{check.number}: {speed}, break {_say(check.break_percent, 1, ' %')}"]
    rows = [("digit", "pulses", "per s", "break %", "drift/s", "bounce ms", "pause s")]
    rows += [
        (
            digit.digit,
            str(digit.pulses),
            _say(digit.pulses_per_s, 3) + _doubt(digit.speed_uncertainty_pps, 3),
            _say(digit.break_percent) + _doubt(digit.break_uncertainty_percent),
            _say(digit.drift_pps, 2),
            _say(digit.bounce_ms) + _doubt(digit.bounce_uncertainty_ms),
            _say(digit.pause_before_s, 2),
        )
        for digit in check.digits
    ]
    lines.append(render_table(rows))
    for spread in check.spread:
        lines.append(
            f"  {spread.n} times {spread.digit}: {spread.mean_pps:.2f} +/- {spread.sd_pps:.2f} "
            f"pulses/s, break {_say(spread.mean_break_percent)} +/- "
            f"{_say(spread.sd_break_percent, 2)} %"
        )
    return lines


def _render_tones(check: ToneCheck) -> list[str]:
    lines = [f"keypad: {check.number}" if check.number else "no keypad digit"]
    rows = []
    for event in check.events:
        span = f"{event.start_s:.2f}-{event.end_s:.2f} s"
        level = f"{event.level_dbfs:.1f} dBFS"
        if event.kind == "dtmf":
            told = (
                f"low {event.low_error_percent:+.2f} %, high {event.high_error_percent:+.2f} %, "
                f"twist {event.twist_db:+.1f} dB"
            )
            rows.append((event.digit or "", span, level, told))
            continue
        hz = " + ".join(f"{value:.1f}" for value in event.frequencies_hz or ())
        cadence = " ".join(f"{value:.2f}" for value in event.cadence_s or ()) or "steady"
        rows.append((event.kind, span, level, f"{hz} Hz, {cadence}"))
    return [*lines, render_table(rows)] if rows else lines


def _render_flex(check: FlexCheck) -> list[str]:
    lines = [
        f"{check.duration_s:.1f} s: {check.verdict}",
        f"  {check.events_per_min:.1f} events a minute, at most {check.most_per_min:.1f} (95 %)",
    ]
    rows = [
        (
            f"{event.at_s:.2f} s",
            event.kind,
            f"{event.duration_ms:.0f} ms" if event.kind != "step" else "stays",
            f"{event.depth_db:+.1f} dB",
            f"movement {event.movement}" if event.movement else "no movement",
            event.place,
        )
        for event in check.events
    ]
    return [*lines, render_table(rows)] if rows else lines


def _render_bell(check: BellCheck) -> list[str]:
    gongs = ", ".join(f"{hz:.0f}" for hz in check.gongs_hz) or "-"
    rows = [
        ("strikes", _say(check.strikes_per_s, 2, " per s")),
        ("gongs", f"{gongs} Hz"),
        ("level", f"{_say(check.level_dbfs, 1, ' dBFS')} (compare before and after only)"),
        ("decay by 60 dB", _say(check.decay_s, 2, " s")),
        ("rings", " ".join(f"{r.start_s:.2f}-{r.end_s:.2f}" for r in check.rings) or "none"),
        ("single blows", str(check.taps)),
    ]
    return [render_table(rows)]


def _render_speech(check: SpeechCheck) -> list[str]:
    rows = [
        ("active speech level", _say(check.active_level_dbfs, 1, " dBFS (P.56)")),
        ("activity", _say(check.activity_percent, 0, " %")),
        ("peak", _say(check.peak_dbfs, 1, " dBFS")),
        ("crest factor", _say(check.crest_db, 1, " dB")),
        ("noise in pauses", _say(check.noise_dbfs, 1, " dBFS")),
        ("at full transmit level", _say(check.full_transmit_percent, 0, " % of the active time")),
    ]
    return [render_table(rows)]


def _render_line(check: LineCheck) -> list[str]:
    rows = [
        ("on-hook", _say(check.on_hook_v, 1, " V")),
        ("off-hook", _say(check.off_hook_v, 1, " V")),
        ("loop", _say(check.loop_ma, 1, " mA")),
        ("ringer equivalence", _say(check.ringer_equivalence)),
        ("dial tone", _say(check.dial_tone_dbm, 1, " dBm")),
        ("takes dial pulses", {True: "yes", False: "no", None: "-"}[check.accepts_pulses]),
    ]
    lines = (
        [render_table([row for row in rows if row[1] != "-"])]
        if any(row[1] != "-" for row in rows)
        else []
    )
    return [*lines, *([f"  {check.note}"] if check.note else [])]


def render_list(checked: CheckList) -> str:
    """The check list, its open steps and its state."""
    lines = []
    phase = ""
    for step in checked.steps:
        if step.phase != phase:
            phase = step.phase
            lines.append(f"{phase}:")
        lines.append(f"  {STATE_MARKS[step.state]} {step.step:2d} {step.task}")
        told = step.result or ("" if step.state != "open" else step.good)
        if told:
            lines.append(f"         {step.state}: {told}" if step.result else f"         {told}")
    if checked.jack is not None:
        jack = checked.jack
        lines.append(f"jack: fitted {jack.fitted}; removed {jack.removed}; kept {jack.kept}")
    n_open = len(checked.open_steps)
    lines.append(f"{checked.final}" + (f": {n_open} steps open" if n_open else ""))
    return "\n".join(lines)
