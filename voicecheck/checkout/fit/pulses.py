"""A dial on a line: the worst single pulse, the chance of a misdialled call, the pauses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from voicecheck.checkout.fit.judging import judge_value, leave_untested, name_sources, say_memory
from voicecheck.checkout.fit.misdial import (
    FEWEST_ZEROS,
    PULSES_OF_ZERO,
    bound_misdial,
    find_spread,
    foretell_misdial,
)
from voicecheck.checkout.fit.setting import Setting, find_setting
from voicecheck.records import DialCheck, DialDigit
from voicecheck.records.lines import FitFinding, LineProfile
from voicecheck.records.terms import MarkState

EDGE_MS = 0.5
"""
Half-width of a single break's length at least: where between bounces the line sees an edge (PROP).
"""
CALLS = (7, 10)
FEW_PERCENT, MANY_PERCENT = 1.0, 10.0
"""Misdialled calls that nobody minds, and that everybody does (PROP)."""
LEAST_SPEED_PPS, LEAST_BREAK_MS = 0.05, 0.5
"""A smaller change is not told: no dial is set so finely (PROP)."""
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")
What = Literal["break", "make"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """One break or make: where it stands, its length, and how far inside of the window (ms)."""

    what: What
    digit: int
    place: int
    length_ms: float
    margin_ms: float
    uncertainty_ms: float


def hold_dial(check: DialCheck | None, profile: LineProfile) -> tuple[FitFinding, ...]:
    """
    Hold a dial against a line.

    Parameters
    ----------
    check : DialCheck or None
        `None` where nobody has dialled.
    profile : LineProfile

    Returns
    -------
    tuple of FitFinding
        The worst pulse first, then the chances, then the pauses.
    """
    if profile.takes_pulses is False:
        return (_refuse_pulses(profile),)
    windows = _find_windows(profile)
    if windows is None:
        return (
            leave_untested(
                "dial",
                "this line does not say which pulses it takes",
                "Type them in: `voicecheck line add`.",
            ),
        )
    if check is None:
        return (
            leave_untested(
                "dial",
                "nobody has dialled yet",
                "Dial all ten digits, then the digit of ten pulses ten times.",
            ),
        )
    pulses = list_pulses(check.digits, *windows)
    if not any(one.what == "break" for one in pulses):
        told = "the recording holds no length of a break: clicks alone, or no digit"
        return (leave_untested("dial", told, "Dial again with the tone on."),)
    worst = min(pulses, key=lambda one: one.margin_ms)
    advice = _advise(check, pulses, windows)
    found = [_tell_worst(worst, check.digits, windows, profile, advice)]
    found += _tell_chances(check, pulses, windows, profile, advice)
    return (*found, *_tell_pauses(check, profile))


def list_pulses(
    digits: Sequence[DialDigit], breaks: tuple[float, float], makes: tuple[float, float]
) -> list[Pulse]:
    """Every break and make of some digits, in order, with its margin in the line's windows."""
    found = []
    for number, digit in enumerate(digits):
        period_ms = 1e3 / digit.pulses_per_s if digit.pulses_per_s else 0.0
        doubt_ms = (digit.break_uncertainty_percent or 0.0) / 100.0 * period_ms
        kinds: tuple[tuple[What, tuple[float, ...] | None, tuple[float, float]], ...] = (
            ("break", digit.break_ms, breaks),
            ("make", digit.make_ms, makes),
        )
        for what, lengths, (low, high) in kinds:
            found += [
                Pulse(
                    what=what,
                    digit=number,
                    place=place,
                    length_ms=length,
                    margin_ms=min(length - low, high - length),
                    uncertainty_ms=max(EDGE_MS, doubt_ms),
                )
                for place, length in enumerate(lengths or ())
                if math.isfinite(length)
            ]
    return found


def _refuse_pulses(profile: LineProfile) -> FitFinding:
    source = name_sources(profile, "takes_pulses")
    return FitFinding(
        part="dial",
        quantity="takes_pulses",
        value=None,
        unit="",
        verdict="outside",
        sentence="This line takes no dial pulses: the set answers and talks, but cannot dial."
        + say_memory(source),
        advice="Put a pulse-to-tone converter between set and line, or choose another adapter.",
        source=source,
    )


def _find_windows(
    profile: LineProfile,
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    low_b, high_b = profile.break_low_ms, profile.break_high_ms
    low_m, high_m = profile.make_low_ms, profile.make_high_ms
    if low_b is None or high_b is None or low_m is None or high_m is None:
        return None
    return (low_b, high_b), (low_m, high_m)


def _tell_worst(
    worst: Pulse,
    digits: Sequence[DialDigit],
    windows: tuple[tuple[float, float], tuple[float, float]],
    profile: LineProfile,
    advice: str,
) -> FitFinding:
    low, high = windows[0] if worst.what == "break" else windows[1]
    verdict = judge_value(worst.length_ms, worst.uncertainty_ms, low, high)
    source = name_sources(profile, f"{worst.what}_low_ms", f"{worst.what}_high_ms")
    digit = digits[worst.digit]
    place = ORDINALS[worst.digit] if worst.digit < len(ORDINALS) else f"{worst.digit + 1}th"
    sentence = (
        f"The worst pulse is {worst.what} {worst.place + 1} of the {place} digit "
        f"({digit.digit}): {worst.length_ms:.1f} ms where the line takes {low:g} to {high:g} ms"
    )
    return FitFinding(
        part="dial",
        quantity="worst_pulse",
        value=worst.length_ms,
        unit="ms",
        verdict=verdict,
        sentence=f"{sentence}{say_memory(source)}.",
        advice="" if verdict == "within" else advice,
        uncertainty=worst.uncertainty_ms,
        low=low,
        high=high,
        source=source,
    )


def _advise(
    check: DialCheck,
    pulses: Sequence[Pulse],
    windows: tuple[tuple[float, float], tuple[float, float]],
) -> str:
    """What to turn, so that every pulse fits."""
    breaks = [one.length_ms for one in pulses if one.what == "break"]
    makes = [one.length_ms for one in pulses if one.what == "make"]
    if not makes or not check.pulses_per_s:
        return "Dial longer digits: a single pulse shows no make."
    extents = (min(breaks), max(breaks)), (min(makes), max(makes))
    return say_setting(find_setting(*extents, *windows, check.pulses_per_s))


def say_setting(setting: Setting) -> str:
    """
    A change as it is done at the dial.

    Examples
    --------
    >>> say_setting(Setting(speed_pps=-0.8))
    'Slow the governor by 0.8 pulses/s.'
    >>> say_setting(Setting(break_ms=-6.0))
    'Shorten the break by 6 ms at the pulse springs; the make grows as much.'
    """
    if not setting.is_possible:
        return (
            "No setting fits: the pulses differ among themselves by more than the line takes; "
            "clean and oil the governor, or put a pulse converter before the line."
        )
    told = []
    if abs(setting.speed_pps) >= LEAST_SPEED_PPS:
        verb = "speed up" if setting.speed_pps > 0.0 else "slow"
        told.append(f"{verb} the governor by {abs(setting.speed_pps):.1f} pulses/s")
    if abs(setting.break_ms) >= LEAST_BREAK_MS:
        verb = "lengthen" if setting.break_ms > 0.0 else "shorten"
        told.append(f"{verb} the break by {abs(setting.break_ms):.0f} ms at the pulse springs")
        if len(told) == 1:
            told[0] += f"; the make {'shrinks' if setting.break_ms > 0.0 else 'grows'} as much"
    text = ", and ".join(told)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _tell_chances(
    check: DialCheck,
    pulses: Sequence[Pulse],
    windows: tuple[tuple[float, float], tuple[float, float]],
    profile: LineProfile,
    advice: str,
) -> list[FitFinding]:
    """Chance that a call is misdialled: by the model of the spread, and by counting alone."""
    zeros = [
        digit
        for digit in check.digits
        if len(digit.break_ms or ()) == PULSES_OF_ZERO
        and len(digit.make_ms or ()) == PULSES_OF_ZERO - 1
    ]
    bad = {(one.digit, one.place) for one in pulses if one.margin_ms < 0.0}
    n_pulses = sum(one.what == "break" for one in pulses)
    spread = None
    if len(zeros) >= FEWEST_ZEROS:
        spread = (
            find_spread([digit.break_ms or () for digit in zeros]),
            find_spread([digit.make_ms or () for digit in zeros]),
        )
    found = []
    for n_digits in CALLS:
        low, high = (100.0 * one for one in bound_misdial(n_pulses, len(bad), n_digits))
        counted = (
            f"{n_pulses} pulses, {len(bad)} of them bad, alone allow {low:.0f} to {high:.0f} %"
        )
        value = None
        if spread is not None:
            value = 100.0 * foretell_misdial(*spread, *windows, n_digits)
        found.append(
            FitFinding(
                part="dial",
                quantity=f"misdialled_{n_digits}",
                value=value,
                unit="%",
                verdict=_judge_chance(value),
                sentence=_say_chance(value, n_digits, len(zeros), counted),
                advice=_advise_chance(value, len(zeros), advice),
                high=FEW_PERCENT,
                bound=(low, high),
                source=f"{name_sources(profile, 'break_low_ms')}; 1 % of calls: ours (PROP)",
            )
        )
    return found


def _judge_chance(percent: float | None) -> MarkState:
    if percent is None:
        return "not tested"
    return (
        "within"
        if percent <= FEW_PERCENT
        else ("doubtful" if percent <= MANY_PERCENT else "outside")
    )


def _say_chance(percent: float | None, n_digits: int, n_zeros: int, counted: str) -> str:
    if percent is None:
        return (
            f"How often a call of {n_digits} digits is misdialled is not known without the "
            f"spread of several digits of ten pulses; {counted}."
        )
    told = "fewer than 0.1" if percent < 0.1 else f"about {percent:.1f}"
    return (
        f"Of 100 calls of {n_digits} digits {told} would be misdialled, if the dial goes on "
        f"scattering as its {n_zeros} digits of ten pulses did (normal spread); {counted}."
    )


def _advise_chance(percent: float | None, n_zeros: int, advice: str) -> str:
    if percent is None:
        # In a few countries ten pulses are not a zero.
        return f"Dial the digit of ten pulses ten times: it is there {n_zeros} times."
    return "" if percent <= FEW_PERCENT else advice


def _tell_pauses(check: DialCheck, profile: LineProfile) -> list[FitFinding]:
    """The shortest pause between digits, where the line says when a digit ends."""
    pauses = [one.pause_before_s for one in check.digits if one.pause_before_s is not None]
    least_ms = profile.digit_ends_ms
    if least_ms is None or not pauses:
        return []
    shortest_ms = 1e3 * min(pauses)
    verdict = judge_value(shortest_ms, EDGE_MS, least_ms, None)
    source = name_sources(profile, "digit_ends_ms")
    return [
        FitFinding(
            part="dial",
            quantity="pause_ms",
            value=shortest_ms,
            unit="ms",
            verdict=verdict,
            sentence=f"The shortest pause between two digits is {shortest_ms:.0f} ms; the line "
            f"takes a digit as finished after {least_ms:g} ms{say_memory(source)}.",
            advice="" if verdict == "within" else "Let the dial come to rest between digits.",
            uncertainty=EDGE_MS,
            low=least_ms,
            source=source,
        )
    ]
