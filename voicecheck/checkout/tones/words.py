"""What was heard of keypad and line, in a line, in a table and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import (
    Shown,
    Span,
    Spans,
    Table,
    list_outside,
    say,
    say_cadence,
    say_signed,
)

if TYPE_CHECKING:
    from voicecheck.records import ToneCheck, ToneHeard, ToneName

MOST_REGIONS = 4
HEADS = ("heard", "from to, s", "level", "frequency", "twist or cadence")


def describe_tones(check: ToneCheck) -> str:
    """In one line."""
    parts = [f"keypad {check.number}"] if check.number else []
    for event in check.events:
        if event.kind != "dtmf":
            parts.append(f"{_name(event)} heard ({_say_hz(event, 0)} Hz{_say_rhythm(event)})")
    parts = list(dict.fromkeys(parts)) or ["no tone recognised"]
    return ", ".join([*parts, *list_outside(check.findings)])


def tabulate_tones(check: ToneCheck) -> tuple[Shown, ...]:
    """Event by event."""
    keypad = f"Keypad: {check.number}" if check.number else "No keypad digit."
    rows = tuple(
        (
            _name(event),
            f"{event.start_s:.2f} to {event.end_s:.2f}",
            say(event.level_dbfs, 1, "dBFS"),
            *(_say_digit(event) if event.kind == "dtmf" else _say_progress(event)),
        )
        for event in check.events
    )
    return (keypad, Table(name="tones heard", heads=HEADS, rows=rows)) if rows else (keypad,)


def picture_tones(check: ToneCheck) -> Spans:
    """When each was heard."""
    rows = tuple(
        Span(
            name=_name(event),
            parts=((event.start_s, event.end_s),),
            told=say(event.level_dbfs, 1, "dBFS"),
        )
        for event in check.events
    )
    return Spans(title="Tones heard", axis="s from the start", rows=rows)


def _name(event: ToneHeard) -> str:
    """The digit, or the name; of a tone whose names differ each of them."""
    if event.kind == "dtmf":
        return event.digit or event.kind
    names = {name.name for name in event.names or () if _is_meant(event, name)}
    told = sorted(names) if event.kind == "tone" and names else [event.kind]
    return " or ".join(told).replace("-", " ")


def _is_meant(event: ToneHeard, name: ToneName) -> bool:
    known = (name.region, f"{name.region} {name.period}")
    return event.region is None or event.region in known or name.region == "any"


def _say_rhythm(event: ToneHeard) -> str:
    """What an unnamed tone is known by."""
    if event.kind != "tone":
        return ""
    return f", {'/'.join(f'{part:.2f}' for part in event.cadence_s)} s" if event.cadence_s else ""


def _say_names(event: ToneHeard) -> str:
    """Regions of each name, with their periods."""
    regions: dict[str, list[str]] = {}
    for one in event.names or ():
        where = f"{one.region} ({one.period})" if one.period else one.region
        regions.setdefault(one.name.replace("-", " "), []).append(where)
    return "".join(f"; {name}: {_shorten(where)}" for name, where in regions.items())


def _shorten(regions: list[str]) -> str:
    each = list(dict.fromkeys(regions))
    more = f" and {len(each) - MOST_REGIONS} more" if len(each) > MOST_REGIONS else ""
    return ", ".join(each[:MOST_REGIONS]) + more


def _say_hz(event: ToneHeard, digits: int) -> str:
    return " + ".join(f"{hz:.{digits}f}" for hz in event.frequencies_hz or ())


def _say_digit(event: ToneHeard) -> tuple[str, str]:
    low, high = event.low_error_percent, event.high_error_percent
    off = f"low {say_signed(low, 2, '%')}, high {say_signed(high, 2, '%')}"
    return off, f"twist {say_signed(event.twist_db, 1, 'dB')}"


def _say_progress(event: ToneHeard) -> tuple[str, str]:
    rhythm = say_cadence(event.cadence_s, "steady")
    return f"{_say_hz(event, 1)} Hz", f"{rhythm}{_say_names(event)}"
