"""What was found of a dial, in a line and in tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import Shown, Table, list_outside, say, say_doubted

if TYPE_CHECKING:
    from voicecheck.records import DialCheck

SETTLED_S = 0.4
"""
A digit counts once its pulses have stopped for so long: longer than any make inside a digit
(0.24 s, `LONGEST_PULSE_GAP_S`) with the 0.1 s that the end of a recording hides. Less would show a
digit that still counts up.
"""
SLOW_PULSES_PER_S = 8.0
"""Taken for the speed of a digit of one pulse, which has none: the slowest allowed (S32)."""
HEADS = ("digit", "pulses", "per s", "break, %", "drift, per s", "bounce, ms", "pause before, s")


def read_dialled(check: DialCheck, duration_s: float) -> str:
    """
    Digits that are complete in what has been recorded so far.

    Parameters
    ----------
    check : DialCheck
    duration_s : float
        Of what has been recorded.
    """
    last = check.digits[-1]
    ended_s = last.start_s + last.pulses / (last.pulses_per_s or SLOW_PULSES_PER_S)
    return check.number if duration_s - ended_s > SETTLED_S else check.number[:-1]


def describe_dial(check: DialCheck) -> str:
    """In one line."""
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
    parts += list_outside(check.findings)
    return ", ".join(parts)


def tabulate_dial(check: DialCheck) -> tuple[Shown, ...]:
    """Digit by digit, and how alike its repeats are."""
    digits = tuple(
        (
            digit.digit,
            str(digit.pulses),
            say_doubted(digit.pulses_per_s, digit.speed_uncertainty_pps, 3),
            say_doubted(digit.break_percent, digit.break_uncertainty_percent),
            say(digit.drift_pps, 2),
            say_doubted(digit.bounce_ms, digit.bounce_uncertainty_ms),
            say(digit.pause_before_s, 2),
        )
        for digit in check.digits
    )
    shown = Table(name="digits", heads=HEADS, rows=digits)
    if not check.spread:
        return (shown,)
    repeats = tuple(
        (
            one.digit,
            str(one.n),
            say_doubted(one.mean_pps, one.sd_pps, 2),
            say_doubted(one.mean_break_percent, one.sd_break_percent, 2),
        )
        for one in check.spread
    )
    heads = ("digit", "times", "pulses/s, mean +/- s.d.", "break, %, mean +/- s.d.")
    return (shown, Table(name="repeats", heads=heads, rows=repeats))
