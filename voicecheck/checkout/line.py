"""Readings of the line, typed in from a meter, held against what is usual."""

from __future__ import annotations

from voicecheck.checkout.limits import judge, load_rows
from voicecheck.errors import InputError
from voicecheck.records import LineCheck, Problem

LIMITS = "line_limits.csv"
RANGES = {
    "on_hook_v": (0.0, 150.0, "V"),
    "off_hook_v": (0.0, 150.0, "V"),
    "loop_ma": (0.0, 200.0, "mA"),
    "ringer_equivalence": (0.0, 20.0, ""),
    "dial_tone_dbm": (-80.0, 10.0, "dBm"),
}
"""What can be typed in; beyond it is a slip of the unit."""
METER = {"on_hook_v": 0.5, "loop_ma": 0.5, "ringer_equivalence": 0.1, "dial_tone_dbm": 0.5}
"""Half-width that a hand-held meter's reading is taken to have (common practice, no source)."""


def rate_line(
    *,
    on_hook_v: float | None = None,
    off_hook_v: float | None = None,
    loop_ma: float | None = None,
    ringer_equivalence: float | None = None,
    dial_tone_dbm: float | None = None,
    accepts_pulses: bool | None = None,
    note: str = "",
    region: str = "",
) -> LineCheck:
    """
    Readings of a line with their verdicts.

    Parameters
    ----------
    on_hook_v, off_hook_v : float, optional
        Volts across the line, without sign.
    loop_ma : float, optional
        Off-hook.
    ringer_equivalence : float, optional
        Sum of the ringer equivalence numbers on the line.
    dial_tone_dbm : float, optional
        Of each tone.
    accepts_pulses : bool, optional
        Whether the line or adapter takes dial pulses.
    note, region : str

    Returns
    -------
    LineCheck

    Raises
    ------
    InputError
        Nothing was given, or a value is out of range.

    Examples
    --------
    >>> [f.verdict for f in rate_line(loop_ma=31.0).findings]
    ['within']
    """
    given = {
        "on_hook_v": on_hook_v,
        "off_hook_v": off_hook_v,
        "loop_ma": loop_ma,
        "ringer_equivalence": ringer_equivalence,
        "dial_tone_dbm": dial_tone_dbm,
    }
    read = {name: value for name, value in given.items() if value is not None}
    if not read and accepts_pulses is None and not note.strip():
        raise InputError("line: need a reading, got none; type in --loop-ma or another")
    for name, value in read.items():
        low, high, unit = RANGES[name]
        if not low <= value <= high:
            message = f"{name}: need {low:g} to {high:g} {unit}, got {value:g}; the right unit?"
            raise InputError(message)
    rows = [row for row in load_rows(LIMITS) if row["region"] in (region, "any")]
    findings = tuple(
        judge(row["quantity"], read[row["quantity"]], row, uncertainty=METER[row["quantity"]])
        for row in rows
        if row["quantity"] in read
    )
    problems = []
    if accepts_pulses is False:
        message = "the line or adapter does not take dial pulses"
        effect = "the set answers and talks, but cannot dial on it; a converter would be needed"
        problems.append(Problem(kind="no-pulse-dialling", message=message, effect=effect))
    if on_hook_v is not None and off_hook_v is not None and off_hook_v > 0.8 * on_hook_v > 0.0:
        message = "the voltage hardly falls when the handset is lifted"
        effect = "the loop may be open: look at the hook switch and the line cord"
        problems.append(Problem(kind="open-loop", message=message, effect=effect))
    return LineCheck(
        **given,
        accepts_pulses=accepts_pulses,
        note=note,
        findings=findings,
        problems=tuple(problems),
    )
