"""Dial pulses: digits, speed, break ratio, drift, bounce, pauses, and how they stand to limits."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from voicecheck.checkout.dial.clicks import find_openings
from voicecheck.checkout.dial.contacts import Break, find_breaks
from voicecheck.checkout.limits import Row, find_region, judge, load_rows
from voicecheck.checkout.signals import check_sound
from voicecheck.errors import RecordingError
from voicecheck.records import DialCheck, DialDigit, DigitSpread, Finding, Problem, Recording
from voicecheck.records.terms import LimitKind

LIMITS = "dial_limits.csv"
HELD: dict[str, LimitKind] = {"judge": "service", "line": "line", "note": "beside"}
"""What serviced sets do, what works on a line, and what is only told beside both."""
LONGEST_PULSE_GAP_S = 0.24
"""A longer make ends the digit: 250 ms is the shortest pause of the table (S67)."""
ODD_RATIO = 0.75
"""
A last break under 3/4 of the others, or over 4/3, is told (common practice, no source). Nearer to 1
the jitter of a worn dial is told as a fault; much farther, a pulse that an exchange misses is not.
"""
COVERAGE = 2.0
"""Deviations of a 95 % interval; `tests/bench/dial_counts.py` counts how many digits it holds."""
EDGE_WIDTH_S = 0.05e-3
"""
A contact's edge takes time: openings and closings may be off by as much, all alike. Half of the
0.1 ms over which a pulse rises in a telephone's band; without it a break ratio is stated too well.
"""
EDGE_JITTER_S = 0.01e-3
"""What the deviation of an opening leaves out, arcs and the shape of its edge (by coverage)."""
CLICK_DEVIATION_S = 0.1e-3
"""Of a click's instant: as far as its own shape lets it be placed (PROP)."""
MISSING_RATIO = 1.6
"""
A period so many times the median holds a pulse that was not made: one that is missing doubles it, a
dial that slows down by a third (8 from 12 pulses/s) stretches it 1.5 times. Nearer to 2 a missing
pulse in a slowing digit is taken for its speed.
"""
DRIFT_DOUBT_PPS = 0.1
"""Half-width of a drift, 95 %: a hundredth of the usual speed (common practice, no source)."""
PAUSE_DOUBT_S = 0.001
"""Half-width of a pause: its two edges, each some 0.5 ms at the worst (`LOST_S`)."""


def measure_dial(
    recording: Recording, *, tone_hz: float = 1000.0, is_clicks: bool = False, region: str = ""
) -> DialCheck:
    """
    Everything a recording tells of a dial.

    Parameters
    ----------
    recording : Recording
        With a steady tone through the loop or the contact; or of clicks alone.
    tone_hz : float
        300 to 3400 Hz, as it was played.
    is_clicks : bool
        Only clicks were recorded: break, make, bounce and pauses are `None`.
    region : str
        Whose limits and digits count; "" for those that hold anywhere.

    Returns
    -------
    DialCheck

    Raises
    ------
    InputError
        The region is not known.
    RecordingError
        Silent, too short, no tone (or no clicks), or no pulse in it.
    """
    region = find_region(LIMITS, region)
    check_sound(recording, 0.3)
    if is_clicks:
        breaks = [
            Break(at_s, at_s, None, CLICK_DEVIATION_S, CLICK_DEVIATION_S, None)
            for at_s in find_openings(recording)
        ]
    else:
        breaks = find_breaks(recording, tone_hz)
    if not breaks:
        raise RecordingError("no dial pulse in the recording; dial while it records", "no-pulses")
    rule = find_rule(region)
    groups = _split(breaks)
    digits: list[DialDigit] = []
    problems: list[Problem] = list(recording.problems)
    for index, group in enumerate(groups):
        previous = groups[index - 1][-1] if index else None
        digit = _describe(group, previous, rule, is_clicks=is_clicks)
        digits.append(digit)
        problems.extend(_find_oddities(digit, group))
    problems.extend(_tell_withheld(digits, is_clicks=is_clicks))
    return _pool(digits, problems, region)


def find_rule(region: str) -> str:
    """
    How a region counts pulses.

    Examples
    --------
    >>> find_rule("Sweden"), find_rule("")
    ('n plus 1', '0 is ten')
    """
    rules = [row for row in load_rows(LIMITS) if row["quantity"] == "pulses_for_digit"]
    found = [row["nominal"] for row in rules if row["region"] in (region, "any")]
    return found[0]


def name_digit(n_pulses: int, rule: str = "0 is ten") -> str:
    """
    Digit of a number of pulses; "?" where no digit has so many.

    Examples
    --------
    >>> [name_digit(10, rule) for rule in ("0 is ten", "n plus 1", "10 minus n")]
    ['0', '9', '0']
    >>> name_digit(11)
    '?'
    """
    if not 1 <= n_pulses <= 10:
        return "?"
    if rule == "n plus 1":
        return str(n_pulses - 1)
    if rule == "10 minus n":
        return str(10 - n_pulses)
    return str(n_pulses % 10)


def _split(breaks: Sequence[Break]) -> list[list[Break]]:
    groups: list[list[Break]] = []
    for one in breaks:
        if groups and one.opened_s - groups[-1][-1].closed_s < LONGEST_PULSE_GAP_S:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _find_regular(group: Sequence[Break]) -> tuple[np.ndarray, np.ndarray]:
    """Periods, and which of them are not stretched by a pulse that is missing."""
    periods_s = np.diff([one.opened_s for one in group])
    is_regular = (
        periods_s < MISSING_RATIO * np.median(periods_s) if len(periods_s) else periods_s > 0
    )
    return periods_s, is_regular


def _describe(
    group: Sequence[Break], previous: Break | None, rule: str, *, is_clicks: bool
) -> DialDigit:
    periods_s, regular = _find_regular(group)
    breaks_s = np.array([one.closed_s - one.opened_s for one in group])
    kept_s = periods_s[regular]
    bounces = [one.bounce_s for one in group if one.bounce_s is not None]
    has_periods, has_tone = len(kept_s) > 0, not is_clicks
    makes_s = periods_s - breaks_s[:-1]
    longest = max(group, key=lambda one: one.bounce_s or 0.0)
    has_bounce = len(bounces) == len(group)
    return DialDigit(
        digit=name_digit(len(group), rule),
        pulses=len(group),
        start_s=group[0].opened_s,
        pulses_per_s=float(1.0 / np.mean(kept_s)) if has_periods else None,
        break_percent=(
            float(100.0 * np.sum(breaks_s[:-1][regular]) / np.sum(kept_s))
            if has_periods and has_tone
            else None
        ),
        break_ms=tuple((1e3 * breaks_s).tolist()) if has_tone else None,
        make_ms=tuple((1e3 * makes_s).tolist()) if has_tone else None,
        drift_pps=_estimate_drift(periods_s, regular),
        bounce_ms=1e3 * max(bounces) if has_bounce else None,
        pause_before_s=(
            group[0].opened_s - previous.closed_s if previous is not None and has_tone else None
        ),
        speed_uncertainty_pps=_doubt_speed(group, kept_s) if has_periods else None,
        break_uncertainty_percent=(
            _doubt_break(group, regular, float(np.sum(kept_s)))
            if has_periods and has_tone
            else None
        ),
        bounce_uncertainty_ms=1e3 * _doubt_bounce(longest) if has_bounce else None,
    )


def _doubt_speed(group: Sequence[Break], kept_s: np.ndarray) -> float:
    """Half-width of the 95 % interval of a speed: periods add up, their inner edges cancel."""
    ends_s = np.linalg.norm([group[i].opened_deviation_s for i in (0, -1)] + [EDGE_JITTER_S])
    return float(COVERAGE * ends_s / np.sum(kept_s) / np.mean(kept_s))


def _doubt_break(group: Sequence[Break], regular: np.ndarray, whole_s: float) -> float:
    """The same of a break ratio: edges err each for itself, their width all alike."""
    kept = [one for one, is_kept in zip(group[:-1], regular, strict=True) if is_kept]
    edges_s = [(one.opened_deviation_s, one.closed_deviation_s) for one in kept]
    alike_s = EDGE_WIDTH_S * len(kept)
    return float(100.0 * (COVERAGE * np.linalg.norm(edges_s) + alike_s) / whole_s)


def _doubt_bounce(one: Break) -> float:
    """The same of a bounce, seconds; its first and last edge are as wide as any."""
    return COVERAGE * (one.bounce_deviation_s or 0.0) + 2.0 * EDGE_WIDTH_S


def _estimate_drift(periods_s: np.ndarray, regular: np.ndarray) -> float | None:
    """Speed of the last period less the first, on a straight line; needs three periods."""
    place = np.arange(len(periods_s))[regular]
    if len(place) < 3:
        return None
    slope = np.polyfit(place, 1.0 / periods_s[regular], 1)[0]
    return float(slope * (place[-1] - place[0]))


def _find_oddities(digit: DialDigit, group: Sequence[Break]) -> list[Problem]:
    problems = []
    periods_s, regular = _find_regular(group)
    for index in np.flatnonzero(~regular):
        times = periods_s[index] / np.median(periods_s)
        message = f"a pulse is missing: one period lasts {times:.1f} times the others"
        effect = f"{digit.pulses} pulses were counted, more were meant; the period is left out"
        at_s = group[int(index)].opened_s
        problems.append(Problem(kind="missing-pulse", at_s=at_s, message=message, effect=effect))
    breaks = digit.break_ms
    if breaks is not None and len(breaks) > 2:
        ratio = breaks[-1] / float(np.median(breaks[:-1]))
        if not ODD_RATIO < ratio < 1.0 / ODD_RATIO:
            message = f"the last break of digit {digit.digit} is {ratio:.2f} times the others"
            effect = "an exchange may miss it or count one more"
            at_s = group[-1].opened_s
            problems.append(
                Problem(kind="odd-last-pulse", at_s=at_s, message=message, effect=effect)
            )
    if digit.digit == "?":
        message = f"{digit.pulses} pulses in one digit: no digit of the region has so many"
        effect = "the digit is not named"
        problems.append(
            Problem(kind="wrong-count", at_s=digit.start_s, message=message, effect=effect)
        )
    return problems


def _tell_withheld(digits: Sequence[DialDigit], *, is_clicks: bool) -> list[Problem]:
    if is_clicks:
        message = "clicks alone do not show how long the contact was open"
        effect = "break, make, bounce and pause are withheld; count and speed stand"
        return [Problem(kind="clicks", message=message, effect=effect)]
    if any(digit.bounce_ms is None for digit in digits):
        message = "noise or a low sampling rate would hide the edges of a bounce"
        effect = "bounce is withheld for some digits"
        return [Problem(kind="noise", message=message, effect=effect)]
    return []


def _pool(digits: list[DialDigit], problems: list[Problem], region: str) -> DialCheck:
    timed = [digit for digit in digits if digit.pulses_per_s is not None]
    seconds = sum((digit.pulses - 1) / (digit.pulses_per_s or 1.0) for digit in timed)
    n_periods = sum(digit.pulses - 1 for digit in timed)
    shares = [digit.break_percent for digit in timed if digit.break_percent is not None]
    weights = [digit.pulses - 1 for digit in timed if digit.break_percent is not None]
    check = DialCheck(
        number="".join(digit.digit for digit in digits),
        pulses_per_s=n_periods / seconds if timed else None,
        break_percent=float(np.average(shares, weights=weights)) if shares else None,
        digits=tuple(digits),
        spread=_find_spread(digits),
        region=region,
        problems=tuple(problems),
    )
    return DialCheck(
        **{name: getattr(check, name) for name in DialCheck.__slots__ if name != "findings"},
        findings=tuple(_judge_all(check)),
    )


def _find_spread(digits: Sequence[DialDigit]) -> tuple[DigitSpread, ...]:
    """Mean and standard deviation of each digit that was dialled at least twice."""
    spread = []
    for name in dict.fromkeys(digit.digit for digit in digits):
        same = [digit for digit in digits if digit.digit == name]
        speeds = [digit.pulses_per_s for digit in same if digit.pulses_per_s is not None]
        shares = [digit.break_percent for digit in same if digit.break_percent is not None]
        if len(speeds) < 2:
            continue
        has_shares = len(shares) > 1
        spread.append(
            DigitSpread(
                digit=name,
                n=len(speeds),
                mean_pps=float(np.mean(speeds)),
                sd_pps=float(np.std(speeds, ddof=1)),
                mean_break_percent=float(np.mean(shares)) if has_shares else None,
                sd_break_percent=float(np.std(shares, ddof=1)) if has_shares else None,
            )
        )
    return tuple(spread)


def _judge_all(check: DialCheck) -> list[Finding]:
    """One finding for each row of the region that judges, and of those that hold anywhere."""
    rows: list[Row] = [row for row in load_rows(LIMITS) if row["use"] in HELD]
    own = [row for row in rows if check.region and row["region"] == check.region]
    # What is told of any line stays beside service limits, until the region's own line is known.
    named = {(row["quantity"], row["use"] == "judge") for row in own}
    anywhere = [
        row
        for row in rows
        if row["region"] == "any" and (row["quantity"], row["use"] == "judge") not in named
    ]
    bounced = max(check.digits, key=lambda digit: digit.bounce_ms or 0.0)
    worst = {
        "pulses_per_s": (
            check.pulses_per_s,
            _pool_doubt(check.digits, "speed_uncertainty_pps"),
        ),
        "break_percent": (
            check.break_percent,
            _pool_doubt(check.digits, "break_uncertainty_percent"),
        ),
        "drift_pps": (_farthest([digit.drift_pps for digit in check.digits]), DRIFT_DOUBT_PPS),
        "bounce_ms": (
            _farthest([digit.bounce_ms for digit in check.digits]),
            bounced.bounce_uncertainty_ms or 0.0,
        ),
        "pause_before_s": (
            _least([digit.pause_before_s for digit in check.digits]),
            PAUSE_DOUBT_S,
        ),
    }
    return [
        _hold(row, value, uncertainty, check.region)
        for row in (*own, *anywhere)
        for value, uncertainty in (worst[row["quantity"]],)
    ]


def _hold(row: Row, value: float | None, uncertainty: float, region: str) -> Finding:
    """A value against a row; a row that is only told beside gives no verdict."""
    finding = judge(row["quantity"], value, row, uncertainty=uncertainty)
    finding = dataclasses.replace(finding, limit=HELD[row["use"]])
    if row["use"] != "note" or value is None:
        return finding
    missing = f"no line limits of {region} are known" if region else "no region is named"
    if row["region"] == region:
        missing = "told beside the limits"
    reason = f"{missing}, so no verdict; {row['note'] or row['source']}"
    return dataclasses.replace(finding, verdict="not comparable", reason=reason)


def _pool_doubt(digits: Sequence[DialDigit], name: str) -> float:
    """Half-width of a mean over digits, weighted by periods: as if all erred alike, at most."""
    doubts = [(digit.pulses - 1, getattr(digit, name)) for digit in digits]
    known = [(weight, doubt) for weight, doubt in doubts if doubt is not None]
    return sum(w * doubt for w, doubt in known) / sum(w for w, _ in known) if known else 0.0


def _farthest(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return max(known, key=abs) if known else None


def _least(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return min(known) if known else None
