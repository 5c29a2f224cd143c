"""Keypad and call-progress tones of a recording, and how they stand to Q.23 and Q.24."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from voicecheck.checkout.limits import find_region, judge, load_rows
from voicecheck.checkout.signals import check_sound
from voicecheck.checkout.tones.keypad import find_digits
from voicecheck.checkout.tones.patterns import TABLE, load_patterns
from voicecheck.checkout.tones.progress import find_progress_tones
from voicecheck.errors import InputError
from voicecheck.records import Finding, Problem, Recording, ToneCheck, ToneHeard

LIMITS = "standards/itu_t_q23_q24_dtmf.csv"
LEAST_RATE_HZ = 8000
KEYPAD_ROWS = {
    "frequency": (
        ("sender", "frequency error", "Australia"),
        ("receiver", "must accept frequency error", "AT&T"),
    ),
    "twist": (
        ("sender", "twist (high louder) at zero line length", "Australia (2 +/-2)"),
        ("receiver", "must accept twist", "AT&T"),
    ),
    "duration": (("receiver", "must accept tone at least this long", "all five administrations"),),
}
"""Rows that a keypad is held against: that of the region first, else what receivers must take."""
FREQUENCY_UNCERTAINTY, TWIST_UNCERTAINTY, DURATION_UNCERTAINTY = 0.02, 0.1, 2.0
"""95 % half-widths: percent, dB, ms."""
PROGRESS_TOLERANCE = {"North America": 0.5}
"""Percent; the precise tone plan's (PUB-2ND). Elsewhere the table states none that is general."""


def measure_tones(recording: Recording, *, region: str = "") -> ToneCheck:
    """
    Every keypad digit and call-progress tone of a recording.

    Parameters
    ----------
    recording : Recording
        At 8000 Hz or more.
    region : str
        Whose tones are expected; "" tries all.

    Returns
    -------
    ToneCheck
        Without events where there is none: that is a result.

    Raises
    ------
    InputError
        The region is not known, or the rate is too low.
    RecordingError
        Silent or too short.
    """
    region = find_region(TABLE, region)
    if recording.rate_hz < LEAST_RATE_HZ:
        message = f"tones: need a recording at {LEAST_RATE_HZ} Hz or more, got {recording.rate_hz}"
        raise InputError(message)
    check_sound(recording, 0.2)
    samples, rate_hz = recording.samples, recording.rate_hz
    digits = find_digits(samples, rate_hz)
    progress = find_progress_tones(samples, rate_hz, region)
    events = tuple(sorted((*digits, *progress), key=lambda event: event.start_s))
    problems = list(recording.problems)
    if not events:
        message = "no keypad digit and no steady or cadenced tone was heard"
        effect = "nothing to hold against limits; check level and region if one was heard"
        problems.append(Problem(kind="no-tone", message=message, effect=effect))
    return ToneCheck(
        events=events,
        number="".join(event.digit or "" for event in digits),
        findings=(*_judge_keypad(digits, region), *_judge_progress(progress, region)),
        region=region,
        problems=tuple(problems),
    )


def _judge_keypad(digits: Sequence[ToneHeard], region: str) -> list[Finding]:
    """The worst of all digits against each limit."""
    if not digits:
        return []
    low = max((d.low_error_percent or 0.0 for d in digits), key=abs)
    high = max((d.high_error_percent or 0.0 for d in digits), key=abs)
    twists = [d.twist_db or 0.0 for d in digits]
    row = _find_row("twist", region)
    middle = 0.5 * (float(row["value_or_min"]) + float(row["max"]))
    twist = max(twists, key=lambda value: abs(value - middle))
    shortest_ms = min(1e3 * (d.end_s - d.start_s) for d in digits)
    worst = (
        ("low_error_percent", low, "frequency", FREQUENCY_UNCERTAINTY),
        ("high_error_percent", high, "frequency", FREQUENCY_UNCERTAINTY),
        ("twist_db", twist, "twist", TWIST_UNCERTAINTY),
        ("duration_ms", shortest_ms, "duration", DURATION_UNCERTAINTY),
    )
    return [
        judge(
            quantity,
            value,
            _find_row(kind, region),
            uncertainty=uncertainty,
            columns=("value_or_min", "max"),
            path="transmit",
        )
        for quantity, value, kind, uncertainty in worst
    ]


def _find_row(kind: str, region: str) -> Mapping[str, str]:
    wanted = KEYPAD_ROWS[kind]
    own = [keys for keys in wanted if region and keys[2].startswith(region)]
    item, quantity, who = (own or list(wanted[-1:]))[0]
    row = next(
        row
        for row in load_rows(LIMITS)
        if (row["item"], row["quantity"], row["who"]) == (item, quantity, who)
    )
    return {**row, "unit": "%" if row["unit"] == "percent" else row["unit"]}


def _judge_progress(events: Sequence[ToneHeard], region: str) -> list[Finding]:
    """Worst frequency error of each kind of tone, where the region's plan states a tolerance."""
    tolerance = PROGRESS_TOLERANCE.get(region)
    if tolerance is None:
        return []
    findings = []
    for event in events:
        errors = [
            max((100.0 * (a / b - 1.0) for a, b in zip(heard_hz, nominal_hz, strict=True)), key=abs)
            for pattern in load_patterns(region)
            for heard_hz, nominal_hz in [(event.frequencies_hz or (), pattern.carriers[0])]
            if pattern.kind == event.kind and len(heard_hz) == len(nominal_hz)
        ]
        if not errors:
            continue
        error = min(errors, key=abs)
        row = {
            "min": str(-tolerance),
            "max": str(tolerance),
            "unit": "%",
            "source": "precise tone plan",
            "provenance": "PUB-2ND",
        }
        findings.append(
            judge(f"{event.kind} frequency error", error, row, uncertainty=0.05, path="receive")
        )
    return findings
