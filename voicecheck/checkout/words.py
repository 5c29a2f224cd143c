"""Each check in one line, for the report and the check list."""

from __future__ import annotations

from collections.abc import Sequence

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

LINE_NAMES = {
    "on_hook_v": ("on-hook", "V"),
    "off_hook_v": ("off-hook", "V"),
    "loop_ma": ("loop", "mA"),
    "ringer_equivalence": ("ringer equivalence", ""),
    "dial_tone_dbm": ("dial tone", "dBm"),
}


def describe_check(
    check: DialCheck | ToneCheck | FlexCheck | BellCheck | SpeechCheck | LineCheck,
) -> str:
    """
    A check in one line.

    Parameters
    ----------
    check : record of a check

    Returns
    -------
    str

    Examples
    --------
    >>> describe_check(LineCheck(loop_ma=31.0))
    'loop 31 mA'
    """
    if isinstance(check, DialCheck):
        return _describe_dial(check)
    if isinstance(check, ToneCheck):
        return _describe_tones(check)
    if isinstance(check, FlexCheck):
        return check.verdict
    if isinstance(check, BellCheck):
        return _describe_bell(check)
    if isinstance(check, SpeechCheck):
        return _describe_speech(check)
    return _describe_line(check)


def _list_outside(findings: Sequence[Finding]) -> list[str]:
    """What is outside its limits, each once."""
    names = [f.quantity.replace("_", " ") for f in findings if f.verdict == "outside"]
    return [f"outside: {', '.join(dict.fromkeys(names))}"] if names else []


def _describe_dial(check: DialCheck) -> str:
    parts = [f"{check.number} dialled"]
    if check.pulses_per_s is not None:
        parts.append(f"{check.pulses_per_s:.2f} pulses/s")
    if check.break_percent is not None:
        parts.append(f"{check.break_percent:.1f} % break")
    bounces = [digit.bounce_ms for digit in check.digits if digit.bounce_ms is not None]
    if bounces:
        parts.append(f"bounce up to {max(bounces):.1f} ms")
    odd = {problem.kind for problem in check.problems} & {"missing-pulse", "odd-last-pulse"}
    parts += sorted(kind.replace("-", " ") for kind in odd)
    parts += _list_outside(check.findings)
    return ", ".join(parts)


def _describe_tones(check: ToneCheck) -> str:
    parts = [f"keypad {check.number}"] if check.number else []
    for event in check.events:
        if event.kind != "dtmf":
            hz = " + ".join(f"{value:.0f}" for value in event.frequencies_hz or ())
            parts.append(f"{event.kind.replace('-', ' ')} heard ({hz} Hz)")
    parts = list(dict.fromkeys(parts)) or ["no tone recognised"]
    return ", ".join([*parts, *_list_outside(check.findings)])


def _describe_bell(check: BellCheck) -> str:
    if not check.rings:
        return f"no ringing, {check.taps} single blows" if check.taps else "no ringing heard"
    gongs = " and ".join(f"{hz:.0f}" for hz in check.gongs_hz)
    parts = [f"{check.strikes_per_s:.1f} strikes/s, gongs {gongs} Hz"]
    if check.level_dbfs is not None:
        parts.append(f"level {check.level_dbfs:.1f} dBFS (for before and after only)")
    if check.decay_s is not None:
        parts.append(f"dies away in {check.decay_s:.1f} s")
    return ", ".join(parts)


def _describe_speech(check: SpeechCheck) -> str:
    if check.active_level_dbfs is None:
        return "no speech heard"
    parts = [
        f"active speech level {check.active_level_dbfs:.1f} dBFS (P.56)",
        f"active {check.activity_percent:.0f} %",
    ]
    if check.noise_dbfs is not None:
        parts.append(f"noise in pauses {check.noise_dbfs:.1f} dBFS")
    return ", ".join(parts)


def _describe_line(check: LineCheck) -> str:
    parts = []
    for name, (label, unit) in LINE_NAMES.items():
        value = getattr(check, name)
        if value is not None:
            parts.append(f"{label} {value:g} {unit}".strip())
    if check.accepts_pulses is not None:
        parts.append("takes dial pulses" if check.accepts_pulses else "does not take dial pulses")
    if check.note:
        parts.append(check.note)
    return ", ".join([*parts, *_list_outside(check.findings)])


def describe_list(checked: CheckList) -> dict[str, str]:
    """
    The check list as lines of a report: its state, then every step.

    Returns
    -------
    dict
        Name to words.
    """
    states = [step.state for step in checked.steps]
    head = f"{checked.final} ({checked.variant} set): " + ", ".join(
        f"{states.count(state)} {state}"
        for state in ("measured", "done", "not tested", "open")
        if state in states
    )
    lines = {"check list": head}
    for step in checked.steps:
        told = f"{step.state}: {step.result}" if step.result else step.state
        lines[f"step {step.step}, {step.task}"] = told
    if checked.jack is not None:
        jack = checked.jack
        lines["jack conversion"] = (
            f"fitted {jack.fitted or '-'}; removed {jack.removed or '-'}; kept {jack.kept or '-'}"
        )
    return lines
