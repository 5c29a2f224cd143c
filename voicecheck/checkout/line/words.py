"""Readings of a line, in a line of text and in a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import NOT_KNOWN, Shown, Table, list_outside, say

if TYPE_CHECKING:
    from voicecheck.records import LineCheck

NAMES = {
    "on_hook_v": ("on-hook", "V"),
    "off_hook_v": ("off-hook", "V"),
    "loop_ma": ("loop", "mA"),
    "ringer_equivalence": ("ringer equivalence", ""),
    "dial_tone_dbm": ("dial tone", "dBm"),
    "insulation_mohm": ("insulation", "Mohm"),
    "leakage_ua": ("condenser leakage", "uA"),
}


def describe_line(check: LineCheck) -> str:
    """
    In one line.

    Examples
    --------
    >>> from voicecheck.records import LineCheck
    >>> describe_line(LineCheck(loop_ma=31.0))
    'loop 31 mA'
    """
    parts = []
    for name, (label, unit) in NAMES.items():
        value = getattr(check, name)
        if value is not None:
            parts.append(f"{label} {value:g} {unit}".strip())
    if check.accepts_pulses is not None:
        parts.append("takes dial pulses" if check.accepts_pulses else "does not take dial pulses")
    if check.note:
        parts.append(check.note)
    return ", ".join([*parts, *list_outside(check.findings)])


def tabulate_line(check: LineCheck) -> tuple[Shown, ...]:
    """What was read."""
    rows = [(label, say(getattr(check, name), 1, unit)) for name, (label, unit) in NAMES.items()]
    rows.append(("takes dial pulses", _say_pulses(check.accepts_pulses)))
    read = tuple(row for row in rows if row[1] != NOT_KNOWN)
    shown: tuple[Shown, ...] = (Table(name="readings", rows=read),) if read else ()
    return (*shown, check.note) if check.note else shown


def list_beside(check: LineCheck) -> dict[str, str]:
    """Insulation has a row of its own on the report."""
    if check.insulation_mohm is None:
        return {}
    return {"insulation": say(check.insulation_mohm, 1, "Mohm")}


def _say_pulses(accepts: bool | None) -> str:
    return NOT_KNOWN if accepts is None else "yes" if accepts else "no"
