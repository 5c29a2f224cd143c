"""What a steady tone showed, in a line, in a table and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import NOT_KNOWN, Shown, Span, Spans, Table, say, say_signed

if TYPE_CHECKING:
    from voicecheck.records import FlexCheck, FlexEvent

HEADS = ("event", "at, s", "lasts", "depth, dB", "movement", "where")


def describe_flex(check: FlexCheck) -> str:
    """In one line."""
    return check.verdict


def tabulate_flex(check: FlexCheck) -> tuple[Shown, ...]:
    """How often, and event by event."""
    tied = ""
    if check.tied_percent is not None:
        tied = f"; {say(check.tied_percent, 0, '%')} followed a movement"
    told = (
        f"{say(check.duration_s, 1, 's')} watched, tone {say(check.tone_dbfs, 1, 'dBFS')}: "
        f"{say(check.events_per_min)} events a minute, at most {say(check.most_per_min)} "
        f"(95 %){tied}."
    )
    rows = tuple(
        (
            event.kind,
            f"{event.at_s:.2f}",
            _say_length(event),
            say_signed(event.depth_db),
            "none near" if event.movement is None else str(event.movement),
            event.place or NOT_KNOWN,
        )
        for event in check.events
    )
    return (told, Table(name="events", heads=HEADS, rows=rows)) if rows else (told,)


def picture_flex(check: FlexCheck) -> Spans:
    """When each event was; a level step has no length."""
    rows = tuple(
        Span(
            name=kind,
            parts=tuple((one.at_s, one.at_s + 1e-3 * one.duration_ms) for one in events),
            told=f"{len(events)} in {check.duration_s:.0f} s",
        )
        for kind in ("dropout", "step", "burst")
        if (events := [one for one in check.events if one.kind == kind])
    )
    return Spans(title="While it was moved", axis="s from the start", rows=rows)


def _say_length(event: FlexEvent) -> str:
    return "stays" if event.kind == "step" else say(event.duration_ms, 0, "ms")
