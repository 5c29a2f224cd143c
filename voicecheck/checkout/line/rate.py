"""Readings of the line, typed in from a meter, held against what is usual."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.limits import judge, load_rows
from voicecheck.errors import InputError
from voicecheck.records import LineCheck, Problem

if TYPE_CHECKING:
    from voicecheck.checkout.line import LineOptions

LIMITS = "line_limits.csv"
READINGS = (
    "on_hook_v", "off_hook_v", "loop_ma", "ringer_equivalence", "dial_tone_dbm", "insulation_mohm",
    "leakage_ua",
)  # fmt: skip
LEAST_MA = 1.0
"""Less than any line gives a lifted set, more than a meter's own error (PROP)."""
HARDLY_FALLS = 0.8
"""
Of the voltage on-hook: a set that closes the loop takes it from some 50 V to 5 to 15 V, on a long
line to 20 V or so (common practice, no source). Nearer to 1 an open loop with a leak passes; below
0.5 a healthy set on a short, low-voltage adapter may be called open.
"""
METER = {
    "on_hook_v": 0.5, "loop_ma": 0.5, "ringer_equivalence": 0.1, "dial_tone_dbm": 0.5,
    "insulation_mohm": 0.25,
}  # fmt: skip
"""Half-width that a hand-held meter's reading is taken to have (common practice, no source)."""


def rate_line(options: LineOptions) -> LineCheck:
    """
    Readings of a line with their verdicts.

    Parameters
    ----------
    options : LineOptions

    Returns
    -------
    LineCheck

    Raises
    ------
    InputError
        Nothing was read.

    Examples
    --------
    >>> from voicecheck.checkout.line import LineOptions
    >>> [f.verdict for f in rate_line(LineOptions(loop_ma=31.0)).findings]
    ['within']
    """
    given = {name: getattr(options, name) for name in READINGS}
    read = {name: value for name, value in given.items() if value is not None}
    if 0.0 < read.get("loop_ma", 0.0) < LEAST_MA:
        raise InputError(
            f"loop_ma: {read['loop_ma']:g} mA lifts no set; was it read in amperes? Then type "
            f"{1e3 * read['loop_ma']:g}, or 0 where nothing flows; nothing was kept"
        )
    if not read and options.accepts_pulses is None and not options.note.strip():
        raise InputError("line: need a reading, got none; type in --loop-ma or another")
    rows = [row for row in load_rows(LIMITS) if row["region"] in (options.region, "any")]
    findings = tuple(
        judge(row["quantity"], read[row["quantity"]], row, uncertainty=METER[row["quantity"]])
        for row in rows
        if row["quantity"] in read
    )
    return LineCheck(
        **given,
        accepts_pulses=options.accepts_pulses,
        note=options.note,
        findings=findings,
        problems=tuple(_find_problems(options)),
    )


def _find_problems(options: LineOptions) -> list[Problem]:
    problems = []
    if options.accepts_pulses is False:
        message = "the line or adapter does not take dial pulses"
        effect = "the set answers and talks, but cannot dial on it; a converter would be needed"
        problems.append(Problem(kind="no-pulse-dialling", message=message, effect=effect))
    on_hook_v, off_hook_v = options.on_hook_v, options.off_hook_v
    if on_hook_v and off_hook_v and off_hook_v > HARDLY_FALLS * on_hook_v:
        message = "the voltage hardly falls when the handset is lifted"
        effect = "the loop may be open: look at the hook switch and the line cord"
        problems.append(Problem(kind="open-loop", message=message, effect=effect))
    return problems
